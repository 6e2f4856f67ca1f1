//! `verify`: whether a record is whole, and every table what its raw logs say.

use anyhow::{Result, bail};
use nightclamp_archive::heart_of;

use crate::cli::VerifyArgs;
use crate::say;

/// Runs `verify` and prints what holds and what does not.
///
/// # Errors
/// Something does not agree, or the record cannot be read.
pub fn run(args: &VerifyArgs) -> Result<()> {
    let report = nightclamp_archive::verify(&args.dir, heart_of)?;
    say::result(report.to_string().trim_end())?;
    if !report.ok() {
        bail!(
            "{}: the record does not agree with itself; what does not hold is listed above",
            args.dir.display()
        );
    }
    Ok(())
}
