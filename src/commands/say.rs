//! Words to the terminal. Whoever reads them may stop reading (`| head`): the rest then goes nowhere, and the
//! command does its work and ends as it would have.

use std::io::{self, Write};

/// Standard output; what is written once it is closed is dropped.
pub(super) struct Told;

impl Write for Told {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        unless_closed(io::stdout().write(bytes), bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        unless_closed(io::stdout().flush(), ())
    }
}

fn unless_closed<T>(done: io::Result<T>, otherwise: T) -> io::Result<T> {
    match done {
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(otherwise),
        done => done,
    }
}

/// As `println!`, without a panic where standard output is closed or full.
macro_rules! say {
    ($($words:tt)*) => {
        crate::commands::say::tell(format_args!($($words)*), "\n")
    };
}

/// As `print!`, as [`say!`].
macro_rules! say_on {
    ($($words:tt)*) => {
        crate::commands::say::tell(format_args!($($words)*), "")
    };
}

pub(super) fn tell(words: std::fmt::Arguments<'_>, end: &str) {
    if let Err(e) = Told
        .write_fmt(words)
        .and_then(|()| Told.write_all(end.as_bytes()))
    {
        warn(format_args!("error: cannot write to standard output: {e}"));
    }
}

/// A line on standard error.
pub(super) fn warn(words: std::fmt::Arguments<'_>) {
    let _ = writeln!(io::stderr(), "{words}");
}
