//! Long answers shown page by page, by a program of the person's choice. Nothing is paged but at a terminal, and what the pager does
//! changes no exit code.

use std::{
    env,
    io::{self, Write},
    mem,
    process::{Child, ChildStdin, Command, Stdio},
};

/// What `less` is told where the person has told it nothing: leave at once where all fits, and show bold and the text afterwards.
const LESS: &str = "FRX";
/// Lines that the shell's own prompt takes after what was shown.
const PROMPT_LINES: usize = 1;

/// Where an answer goes that may be longer than the terminal.
pub(crate) struct Paged {
    state: State,
    words: Vec<String>,
    lines_max: usize,
    /// What was to be said beside while the pager had the screen.
    notes: String,
}

enum State {
    /// It may fit yet.
    Held { text: Vec<u8>, lines: usize },
    /// The pager has it; without a pipe once the person has seen enough.
    Paging(Child, Option<ChildStdin>),
    /// It goes to the terminal as it comes.
    Straight,
}

impl Paged {
    /// With the pager's words, and how high the terminal is.
    pub(crate) fn new(words: Vec<String>, terminal_lines: usize) -> Paged {
        let lines_max = terminal_lines.saturating_sub(PROMPT_LINES);
        let state = State::Held { text: Vec::new(), lines: 0 };
        Paged { state, words, lines_max, notes: String::new() }
    }

    /// Keeps a note for later while the pager has the screen; gives it back otherwise.
    pub(crate) fn keep<'a>(&mut self, note: &'a str) -> Option<&'a str> {
        if let State::Paging(..) = self.state {
            self.notes.push_str(note);
            return None;
        }
        Some(note)
    }

    /// What was kept.
    pub(crate) fn take_notes(&mut self) -> String {
        mem::take(&mut self.notes)
    }

    fn begin(&mut self) -> io::Result<()> {
        let State::Held { text, .. } = mem::replace(&mut self.state, State::Straight) else { return Ok(()) };
        let (program, arguments) = self.words.split_first().expect("a pager has a name");
        let mut command = Command::new(program);
        command.args(arguments).stdin(Stdio::piped());
        if env::var_os("LESS").is_none() {
            command.env("LESS", LESS);
        }
        // A pager that is not there keeps nobody from the answer.
        if let Ok(mut child) = command.spawn() {
            let pipe = child.stdin.take();
            self.state = State::Paging(child, pipe);
        }
        self.write_all(&text)
    }
}

impl Write for Paged {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.state {
            State::Held { text, lines } => {
                text.extend_from_slice(bytes);
                *lines += String::from_utf8_lossy(bytes).matches('\n').count();
                if *lines > self.lines_max {
                    self.begin()?;
                }
                Ok(bytes.len())
            }
            State::Paging(_, pipe) => {
                if let Some(to) = pipe
                    && to.write_all(bytes).is_err()
                {
                    // The person has left the pager; the command goes on to its own end and exit code.
                    *pipe = None;
                }
                Ok(bytes.len())
            }
            State::Straight => io::stdout().write(bytes),
        }
    }

    /// Shows all there is, waits until the person has left the pager, and shows what comes next as it comes: whoever asks for
    /// this wants it seen now.
    fn flush(&mut self) -> io::Result<()> {
        match mem::replace(&mut self.state, State::Straight) {
            State::Held { text, .. } => io::stdout().write_all(&text)?,
            State::Paging(mut child, pipe) => {
                drop(pipe);
                // What the pager ends with is its own affair.
                let _ = child.wait();
            }
            State::Straight => {}
        }
        io::stdout().flush()
    }
}

/// The words of a pager that was named; none where it is named empty, or is one that does nothing.
pub(crate) fn words(named: &str) -> Option<Vec<String>> {
    let words: Vec<String> = named.split_whitespace().map(str::to_owned).collect();
    if words.is_empty() || words == ["cat"] { None } else { Some(words) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pager_that_is_flushed_before_it_begins_never_begins() {
        let mut paged = Paged::new(vec!["no-such-pager".into()], 2);
        assert!(matches!(paged.state, State::Held { .. }));
        paged.flush().unwrap();
        assert!(matches!(paged.state, State::Straight));
    }
}
