//! What is typed, line by line.

use std::io::{BufRead, Read};
use std::thread;

use anyhow::{Context, Result};
use tokio::sync::mpsc;

/// Longest line that is taken, bytes.
const LINE_BYTES_MAX: u64 = 1000;

/// The keyboard; there is one as long as the program runs, whatever is begun anew meanwhile.
pub struct Keyboard(Option<mpsc::Receiver<String>>);

impl Keyboard {
    /// Begins to read. Where that cannot be done nothing is ever typed.
    pub fn begin() -> Self {
        let lines = lines_typed().inspect_err(|error| {
            tracing::warn!("nothing that is typed is taken: {error:#}");
        });
        Self(lines.ok())
    }

    /// The next line; never, if there is nothing to read from.
    pub async fn next(&mut self) -> String {
        if let Some(lines) = &mut self.0
            && let Some(line) = lines.recv().await
        {
            return line;
        }
        self.0 = None;
        std::future::pending().await
    }

    /// Forgets what was typed while nobody listened.
    pub fn forget(&mut self) {
        while let Some(Ok(_)) = self.0.as_mut().map(mpsc::Receiver::try_recv) {}
    }
}

/// Lines from the keyboard. The thread ends with them, or with the program.
fn lines_typed() -> Result<mpsc::Receiver<String>> {
    let (sender, receiver) = mpsc::channel(16);
    thread::Builder::new()
        .name("keyboard".to_owned())
        .spawn(move || {
            let mut input = std::io::stdin().lock();
            loop {
                let mut line = Vec::new();
                let read = input
                    .by_ref()
                    .take(LINE_BYTES_MAX)
                    .read_until(b'\n', &mut line);
                if !matches!(read, Ok(1..)) {
                    return;
                }
                let line = String::from_utf8_lossy(&line).into_owned();
                if sender.blocking_send(line).is_err() {
                    return;
                }
            }
        })
        .context("no thread for the keyboard")?;
    Ok(receiver)
}
