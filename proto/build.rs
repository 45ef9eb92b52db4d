//! Compiles the protos with a compiler written in Rust, so that nobody needs `protoc`.

use std::{env, error::Error, fmt::Write as _, fs, path::PathBuf};

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
    let set = compiler.file_descriptor_set();
    let mut methods = Vec::new();
    for service in
        set.file.iter().filter(|file| file.package() == "fettler.v1").flat_map(|file| &file.service)
    {
        for method in &service.method {
            methods.push((service.name().to_owned(), method.name().to_owned()));
        }
    }
    fs::write(PathBuf::from(env::var("OUT_DIR")?).join("methods.rs"), listed(&methods)?)?;
    tonic_prost_build::configure().compile_fds(set)?;
    Ok(())
}

/// An enumeration of all calls, so that whoever must have an answer for each of them has one, or does not build.
fn listed(methods: &[(String, String)]) -> Result<String, std::fmt::Error> {
    let mut text = String::new();
    writeln!(text, "/// Every call of the contract.")?;
    writeln!(
        text,
        "#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]\npub enum Method {{"
    )?;
    for (service, method) in methods {
        writeln!(text, "    /// `{service}.{method}`.\n    {method},")?;
    }
    writeln!(text, "}}\n\nimpl Method {{\n    /// Every call.\n    pub const ALL: &'static [Method] = &[")?;
    for (_, method) in methods {
        writeln!(text, "        Method::{method},")?;
    }
    writeln!(
        text,
        "    ];\n\n    /// Its name.\n    pub const fn name(self) -> &'static str {{\n        match self {{"
    )?;
    for (_, method) in methods {
        writeln!(text, "            Method::{method} => \"{method}\",")?;
    }
    writeln!(text, "        }}\n    }}\n\n    /// The call at a path of HTTP/2.")?;
    writeln!(text, "    pub fn from_path(path: &str) -> Option<Method> {{\n        Some(match path {{")?;
    for (service, method) in methods {
        writeln!(text, "            \"/fettler.v1.{service}/{method}\" => Method::{method},")?;
    }
    writeln!(text, "            _ => return None,\n        }})\n    }}\n}}")?;
    let mut services: Vec<&str> = methods.iter().map(|(service, _)| service.as_str()).collect();
    services.dedup();
    writeln!(
        text,
        "\n/// Every service of the contract, by its full name.\npub const SERVICES: &[&str] = &["
    )?;
    for service in services {
        writeln!(text, "    \"fettler.v1.{service}\",")?;
    }
    writeln!(text, "];")?;
    Ok(text)
}
