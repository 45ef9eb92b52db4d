//! Small files read whole, an export read line by line, and files written whole or not at all.

use crate::exit::Failure;
use fettler_domain::journal::note::NOTE_BYTES_MAX;
use std::fs::{self, File};
use std::io::{self, BufRead as _, BufReader, BufWriter, Read as _, Write as _};
use std::path::{Path, PathBuf};

/// The longest line of an export that is read, in bytes. The longest leaf is that of a large task sheet.
const LINE_BYTES_MAX: u64 = 16 << 20;

/// Reads a small text: a checkpoint, a key, a proof.
pub(crate) fn read(path: &Path) -> Result<String, Failure> {
    let cannot = |error: io::Error| Failure::usage(format!("cannot read {}: {error}", path.display()));
    let mut text = String::new();
    // A proof holds an entry beside its checkpoint.
    let most = NOTE_BYTES_MAX as u64 + LINE_BYTES_MAX;
    File::open(path).and_then(|file| file.take(most).read_to_string(&mut text)).map_err(cannot)?;
    Ok(text)
}

/// Hands over a file's lines, each with its newline.
pub(crate) fn lines(path: &Path, mut take: impl FnMut(&[u8])) -> Result<(), Failure> {
    let cannot = |error: io::Error| Failure::usage(format!("cannot read {}: {error}", path.display()));
    let mut file = BufReader::new(File::open(path).map_err(cannot)?);
    let mut line = Vec::new();
    loop {
        line.clear();
        (&mut file).take(LINE_BYTES_MAX).read_until(b'\n', &mut line).map_err(cannot)?;
        if line.is_empty() {
            return Ok(());
        }
        take(&line);
    }
}

/// A file that is there only when it was written to its end.
pub(crate) struct NewFile {
    path: PathBuf,
    draft: PathBuf,
    file: BufWriter<File>,
    is_kept: bool,
}

impl NewFile {
    /// Begins a file that must not be there yet.
    pub(crate) fn begin(path: &Path) -> Result<NewFile, Failure> {
        if path.exists() {
            return Err(Failure::usage(format!("{} is there already; give a new name", path.display())));
        }
        let mut draft = path.as_os_str().to_owned();
        draft.push(".part");
        let draft = PathBuf::from(draft);
        let file = File::create(&draft).map_err(|error| cannot_write(&draft, &error))?;
        Ok(NewFile { path: path.to_owned(), draft, file: BufWriter::new(file), is_kept: false })
    }

    /// Writes more.
    pub(crate) fn write(&mut self, text: &str) -> Result<(), Failure> {
        self.write_bytes(text.as_bytes())
    }

    /// Writes more that is no text.
    pub(crate) fn write_bytes(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        self.file.write_all(bytes).map_err(|error| cannot_write(&self.draft, &error))
    }

    /// Puts the file under its name.
    pub(crate) fn end(mut self) -> Result<(), Failure> {
        let flushed = self.file.flush().and_then(|()| self.file.get_ref().sync_all());
        flushed
            .and_then(|()| fs::rename(&self.draft, &self.path))
            .map_err(|e| cannot_write(&self.path, &e))?;
        self.is_kept = true;
        Ok(())
    }
}

impl Drop for NewFile {
    fn drop(&mut self) {
        if !self.is_kept {
            // What is left of a file that was not finished is of no use to anybody.
            let _ = fs::remove_file(&self.draft);
        }
    }
}

fn cannot_write(path: &Path, error: &io::Error) -> Failure {
    Failure::usage(format!("cannot write {}: {error}", path.display()))
}
