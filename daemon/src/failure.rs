//! What a call can come to when it does not come off, and the exit code that says so.

use std::fmt;

/// Why a call did not come off. Both carry the whole chain of causes.
#[derive(Debug)]
pub enum Failure {
    /// The call or the job file is wrong: the caller has to change it. Exit code 2.
    Call(anyhow::Error),
    /// The call was right and could not be done. Exit code 1.
    CouldNot(anyhow::Error),
}

impl Failure {
    /// A wrong call, in words.
    pub fn call(message: impl fmt::Display) -> Self {
        Self::Call(anyhow::Error::msg(message.to_string()))
    }

    /// The process exit code.
    pub const fn exit_code(&self) -> u8 {
        match self {
            Self::CouldNot(_) => 1,
            Self::Call(_) => 2,
        }
    }

    /// The chain of causes, outermost first.
    pub const fn error(&self) -> &anyhow::Error {
        match self {
            Self::Call(error) | Self::CouldNot(error) => error,
        }
    }
}

impl From<anyhow::Error> for Failure {
    fn from(error: anyhow::Error) -> Self {
        Self::CouldNot(error)
    }
}

impl fmt::Display for Failure {
    /// The chain of causes on as many lines, each saying what the one above rests on.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (depth, cause) in self.error().chain().enumerate() {
            if depth > 0 {
                write!(f, "\n  because: ")?;
            }
            write!(f, "{cause}")?;
        }
        Ok(())
    }
}
