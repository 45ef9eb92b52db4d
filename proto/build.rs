//! Compiles the protos with a compiler written in Rust, so that nobody needs `protoc`.

use std::{env, error::Error, fs, path::PathBuf};

fn main() -> Result<(), Box<dyn Error>> {
    let folder = PathBuf::from("fettler/v1");
    println!("cargo::rerun-if-changed={}", folder.display());
    let mut files: Vec<PathBuf> = fs::read_dir(&folder)?
        .map(|entry| entry.map(|e| e.path()))
        .collect::<Result<Vec<_>, _>>()?
        .into_iter()
        .filter(|path| path.extension().is_some_and(|ext| ext == "proto"))
        .collect();
    files.sort();

    let mut compiler = protox::Compiler::new(["."])?;
    compiler.include_imports(true).include_source_info(true).open_files(&files)?;
    // The raw bytes keep what a re-encoded set would lose; reflection and the JSON mapping read them.
    let bytes = compiler.encode_file_descriptor_set();
    fs::write(PathBuf::from(env::var("OUT_DIR")?).join("descriptors.bin"), bytes)?;
    tonic_prost_build::configure().compile_fds(compiler.file_descriptor_set())?;
    Ok(())
}
