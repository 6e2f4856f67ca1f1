//! Saying things: results to standard output, messages for people to standard error. Neither ends the program when
//! nobody is there to listen, as the printing macros would. Neither lets through what would command the terminal: names of
//! files, boards and devices are other people's.

use std::io::{self, ErrorKind, Write};

use anyhow::{Context, Result};

use crate::text::lines_printable;

/// Says a line to people. With nobody there it is not said.
pub fn to_people(text: &str) {
    writeln!(io::stderr().lock(), "{}", lines_printable(text)).unwrap_or_default();
}

/// Hands out a result. A reader that has seen enough and went away is no error.
///
/// # Errors
/// The result cannot be written, for instance because the disk it goes to is full.
pub fn result(text: &str) -> Result<()> {
    let mut out = io::stdout().lock();
    match writeln!(out, "{}", lines_printable(text)).and_then(|()| out.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(error).context("the result cannot be written")
        }
        _ => Ok(()),
    }
}
