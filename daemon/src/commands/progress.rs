//! How far a long work is: one line of a terminal, written over again and again, and taken
//! away at its end. Where nobody looks on nothing is written.

use std::cell::{Cell, RefCell};
use std::fmt::Display;
use std::io::{IsTerminal as _, Write};
use std::time::{Duration, Instant};

/// Least time between two words.
const BETWEEN: Duration = Duration::from_millis(100);

/// The line.
pub struct Progress {
    output: Option<RefCell<Box<dyn Write>>>,
    said: Cell<Option<Instant>>,
    /// How many characters stand on the line.
    width: Cell<usize>,
}

impl Progress {
    /// On standard error, where it is a terminal.
    pub fn new() -> Self {
        Self::on(std::io::stderr().is_terminal().then(|| Box::new(std::io::stderr()) as _))
    }

    /// The same for a work whose results go to standard output: not where they are seen
    /// on a terminal themselves.
    pub fn beside_output() -> Self {
        if std::io::stdout().is_terminal() { Self::on(None) } else { Self::new() }
    }

    fn on(output: Option<Box<dyn Write>>) -> Self {
        Self { output: output.map(RefCell::new), said: Cell::new(None), width: Cell::new(0) }
    }

    /// Says how far it is, unless it was said a moment ago.
    pub fn say(&self, what: &dyn Display) {
        let Some(output) = &self.output else { return };
        if self.said.get().is_some_and(|said| said.elapsed() < BETWEEN) {
            return;
        }
        self.said.set(Some(Instant::now()));
        let text = what.to_string();
        let width = self.width.replace(text.chars().count());
        let mut output = output.borrow_mut();
        // Only for whoever looks on.
        let _ = write!(output, "\r{text:width$}").and_then(|()| output.flush());
    }

    /// Takes the line away, before anything else is written and at the end.
    pub fn clear(&self) {
        let width = self.width.replace(0);
        if let (Some(output), 1..) = (&self.output, width) {
            let mut output = output.borrow_mut();
            let _ = write!(output, "\r{:width$}\r", "").and_then(|()| output.flush());
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use std::rc::Rc;

    #[derive(Clone, Default)]
    struct Terminal(Rc<RefCell<Vec<u8>>>);

    impl Write for Terminal {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.borrow_mut().write(bytes)
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_shorter_word_hides_the_longer_one_before_and_the_end_hides_all() {
        let terminal = Terminal::default();
        let progress = Progress::on(Some(Box::new(terminal.clone())));
        progress.clear();
        progress.say(&"9 of 10 lines");
        progress.say(&"too soon");
        progress.said.set(None);
        progress.say(&"10 lines");
        progress.clear();
        progress.clear();
        let shown = String::from_utf8(terminal.0.borrow().clone()).unwrap();
        assert_eq!(shown, "\r9 of 10 lines\r10 lines     \r        \r");
        // Nobody looks on.
        Progress::on(None).say(&"nothing");
    }
}
