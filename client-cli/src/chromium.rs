//! A page of HTML as a PDF, by a Chromium that is installed on this machine. It gets a folder of its own and no network is needed.

use crate::exit::Failure;
use std::{
    env, fs, io,
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

/// Names its program where it is not found by itself.
const VARIABLE: &str = "FETTLER_CHROMIUM";
/// What it is called on the path.
const NAMES: [&str; 3] = ["chromium", "chromium-browser", "chrome"];

/// A Chromium on this machine.
#[derive(Debug)]
pub(crate) struct Chromium(PathBuf);

impl Chromium {
    /// Looks for it: where the environment says, else on the path.
    pub(crate) fn find() -> Result<Chromium, Failure> {
        if let Some(named) = env::var_os(VARIABLE).filter(|named| !named.is_empty()) {
            let named = PathBuf::from(named);
            return if named.is_file() {
                Ok(Chromium(named))
            } else {
                Err(Failure::usage(format!("{VARIABLE} names {}, which is no program", named.display())))
            };
        }
        let path = env::var_os("PATH").unwrap_or_default();
        let there = |folder: PathBuf| NAMES.iter().map(move |name| folder.join(name));
        env::split_paths(&path).flat_map(there).find(|program| program.is_file()).map(Chromium).ok_or_else(
            || {
                Failure::usage("a PDF is made by Chromium, and none was found")
                    .with_hint(format!(
                        "install it (on Debian: apt-get install chromium), or name its program in {VARIABLE}"
                    ))
                    .with_hint("without --pdf the page is HTML, which any browser prints")
            },
        )
    }

    /// Prints a page.
    pub(crate) async fn print(self, html: String) -> Result<Vec<u8>, Failure> {
        let program = self.0.clone();
        let printed = tokio::task::spawn_blocking(move || print(&self.0, &html)).await;
        printed.map_err(io::Error::other).and_then(|printed| printed).map_err(|error| {
            Failure::usage(format!("{} made no PDF: {error}", program.display()))
                .with_hint("without --pdf the page is HTML, which any browser prints")
        })
    }
}

fn print(program: &Path, html: &str) -> io::Result<Vec<u8>> {
    let folder = tempfile::Builder::new().prefix("fettler-").tempdir()?;
    let (page, pdf) = (folder.path().join("page.html"), folder.path().join("page.pdf"));
    fs::write(&page, html)?;
    let mut command = Command::new(program);
    command
        .args(["--headless", "--disable-gpu", "--no-first-run", "--no-pdf-header-footer"])
        // Where the system is a container, there is little memory to share.
        .arg("--disable-dev-shm-usage")
        .arg(format!("--user-data-dir={}", folder.path().join("user").display()))
        .arg(format!("--print-to-pdf={}", pdf.display()));
    if is_root(folder.path()) {
        // It refuses to run as root inside its sandbox; the page is the client's own and runs nothing.
        command.arg("--no-sandbox");
    }
    let ran = command.arg(&page).stdin(Stdio::null()).output()?;
    match fs::read(&pdf) {
        Ok(bytes) if bytes.starts_with(b"%PDF-") => Ok(bytes),
        Ok(_) | Err(_) => {
            let said = String::from_utf8_lossy(&ran.stderr);
            let last = said.lines().rev().find(|line| !line.trim().is_empty()).unwrap_or("it said nothing");
            Err(io::Error::other(format!("it ended with {}: {last}", ran.status)))
        }
    }
}

/// Whether this is root, known by whose a folder is that was just made.
#[cfg(unix)]
fn is_root(made: &Path) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    fs::metadata(made).is_ok_and(|folder| folder.uid() == 0)
}

#[cfg(not(unix))]
fn is_root(_made: &Path) -> bool {
    false
}
