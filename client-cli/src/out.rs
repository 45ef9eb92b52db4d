//! The one place that writes to stdout and stderr.

use crate::{
    args::OutputForm,
    origin::Given,
    pager::{self, Paged},
};
use clap::ValueEnum;
use std::{
    env,
    io::{self, BufWriter, IsTerminal as _, Write},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

/// When output may carry terminal codes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum ColorChoice {
    /// On a terminal, unless NO_COLOR is set; elsewhere where CLICOLOR_FORCE is.
    #[default]
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
    data: Arc<Mutex<Data>>,
    notes: Arc<Mutex<Box<dyn Write + Send>>>,
    style: Style,
    progress: bool,
}

/// Where data goes.
enum Data {
    /// To stdout.
    Plain(Box<dyn Write + Send>),
    /// To a terminal, through a pager where it is long.
    Paged(Paged),
}

impl Data {
    fn writer(&mut self) -> &mut dyn Write {
        match self {
            Data::Plain(to) => to,
            Data::Paged(to) => to,
        }
    }
}

impl Out {
    /// The process's own stdout and stderr.
    pub(crate) fn standard(given: &Given) -> Out {
        Out {
            data: Arc::new(Mutex::new(data(given))),
            notes: Arc::new(Mutex::new(Box::new(io::stderr()))),
            style: Style { bold: is_bold(given.color, &|name| env::var(name).unwrap_or_default()) },
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
        lock(&self.data).writer().write_all(text.as_bytes())
    }

    /// Writes a note to stderr; nobody can be told if that fails.
    pub(crate) fn note(&self, text: &str) {
        if let Data::Paged(paged) = &mut *lock(&self.data)
            && paged.keep(text).is_none()
        {
            return;
        }
        let mut notes = lock(&self.notes);
        let _ = notes.write_all(text.as_bytes()).and_then(|()| notes.flush());
    }

    /// Shows everything as it comes, for a command without an end of its own: a pager would wait for that end. Said before
    /// anything is written.
    pub(crate) fn straight(&self) -> io::Result<()> {
        // A pager that is flushed before it has begun never begins.
        self.flush()
    }

    /// Pushes out what is buffered; of a pager, until the person has left it.
    pub(crate) fn flush(&self) -> io::Result<()> {
        let mut data = lock(&self.data);
        data.writer().flush()?;
        let kept = match &mut *data {
            Data::Paged(paged) => paged.take_notes(),
            Data::Plain(_) => String::new(),
        };
        drop(data);
        if !kept.is_empty() {
            self.note(&kept);
        }
        Ok(())
    }
}

/// Where data goes: only a table at a terminal goes through a pager.
fn data(given: &Given) -> Data {
    let plain = || Data::Plain(Box::new(BufWriter::new(io::stdout())));
    if given.no_pager || given.output != OutputForm::Table || !io::stdout().is_terminal() {
        return plain();
    }
    let Some(words) = given.text("pager").and_then(|(named, _)| pager::words(&named)) else { return plain() };
    match terminal_size::terminal_size_of(io::stdout()) {
        Some((_, height)) => Data::Paged(Paged::new(words, usize::from(height.0))),
        None => plain(),
    }
}

/// Whether headings are bold: NO_COLOR (no-color.org) goes before CLICOLOR_FORCE (bixense.com/clicolors), and a flag before both.
fn is_bold(choice: ColorChoice, read: &dyn Fn(&str) -> String) -> bool {
    match choice {
        ColorChoice::Always => true,
        ColorChoice::Never => false,
        ColorChoice::Auto if !read("NO_COLOR").is_empty() => false,
        ColorChoice::Auto => {
            let forced = read("CLICOLOR_FORCE");
            (!forced.is_empty() && forced != "0") || io::stdout().is_terminal()
        }
    }
}

fn lock<T: ?Sized>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // A writer is whole after every call, so a panic elsewhere while it was held leaves it usable.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_flag_goes_before_no_color_before_clicolor_force() {
        let bold = |choice, variables: &[(&str, &str)]| {
            is_bold(choice, &|name| {
                variables
                    .iter()
                    .find(|(of, _)| *of == name)
                    .map(|(_, value)| (*value).to_owned())
                    .unwrap_or_default()
            })
        };
        assert!(bold(ColorChoice::Auto, &[("CLICOLOR_FORCE", "1")]));
        assert!(!bold(ColorChoice::Auto, &[("CLICOLOR_FORCE", "1"), ("NO_COLOR", "1")]));
        assert!(bold(ColorChoice::Always, &[("NO_COLOR", "1")]));
        assert!(!bold(ColorChoice::Never, &[("CLICOLOR_FORCE", "1")]));
    }
}
