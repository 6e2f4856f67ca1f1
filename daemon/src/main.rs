//! Parses the call, runs it, and maps what came of it to an exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    nightclamp::main()
}
