//! What commands print. When nobody reads it any more, as in `journal … | head`, the program ends without a word, as others
//! in a pipe do.

use std::io::{self, ErrorKind, StdoutLock, Write};

/// What a shell reports of a program that a pipe without a reader has ended: 128 and the number of SIGPIPE.
const UNREAD: i32 = 141;

/// Standard output of a command.
pub struct Printed(StdoutLock<'static>);

impl Printed {
    /// Nobody else in this process prints until it is dropped.
    #[must_use]
    pub fn here() -> Printed {
        Printed(io::stdout().lock())
    }
}

impl Write for Printed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        read(self.0.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        read(self.0.flush())
    }
}

fn read<T>(done: io::Result<T>) -> io::Result<T> {
    if done.as_ref().is_err_and(|error| error.kind() == ErrorKind::BrokenPipe) {
        std::process::exit(UNREAD);
    }
    done
}
