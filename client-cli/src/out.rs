//! The one place that writes to stdout and stderr.

use clap::ValueEnum;
use std::{
    io::{self, BufWriter, IsTerminal as _, Write},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

/// When output may carry terminal codes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ColorChoice {
    /// On a terminal, unless NO_COLOR is set.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// How headings stand out; meaning never hangs on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Style {
    bold: bool,
}

impl Style {
    /// Plain text.
    #[cfg(test)]
    pub(crate) const PLAIN: Style = Style { bold: false };

    /// A heading.
    pub(crate) fn heading(self, text: &str) -> String {
        if self.bold { format!("\u{1b}[1m{text}\u{1b}[0m") } else { text.to_owned() }
    }
}

/// Where data and notes go. Clones write to the same places.
#[derive(Clone)]
pub(crate) struct Out {
    data: Arc<Mutex<Box<dyn Write + Send>>>,
    notes: Arc<Mutex<Box<dyn Write + Send>>>,
    style: Style,
    progress: bool,
}

impl Out {
    /// The process's own stdout and stderr.
    pub(crate) fn standard(color: ColorChoice) -> Out {
        let no_color = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        let bold = match color {
            ColorChoice::Always => true,
            ColorChoice::Never => false,
            ColorChoice::Auto => !no_color && io::stdout().is_terminal(),
        };
        Out {
            data: Arc::new(Mutex::new(Box::new(BufWriter::new(io::stdout())))),
            notes: Arc::new(Mutex::new(Box::new(io::stderr()))),
            style: Style { bold },
            progress: io::stderr().is_terminal(),
        }
    }

    /// How headings stand out on stdout.
    pub(crate) fn style(&self) -> Style {
        self.style
    }

    /// Whether a person watches stderr, so that progress may be shown and questions asked.
    pub(crate) fn is_watched(&self) -> bool {
        self.progress
    }

    /// Writes data.
    pub(crate) fn data(&self, text: &str) -> io::Result<()> {
        lock(&self.data).write_all(text.as_bytes())
    }

    /// Writes a note to stderr; nobody can be told if that fails.
    pub(crate) fn note(&self, text: &str) {
        let mut notes = lock(&self.notes);
        let _ = notes.write_all(text.as_bytes()).and_then(|()| notes.flush());
    }

    /// Pushes out what is buffered.
    pub(crate) fn flush(&self) -> io::Result<()> {
        lock(&self.data).flush()
    }
}

fn lock<T: ?Sized>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // A writer is whole after every call, so a panic elsewhere while it was held leaves it usable.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
