//! `verify`: whether a record, or a pack of one, is whole, and every table what its raw logs say.

use anyhow::anyhow;
use nightclamp_evidence::{Known, beside, check};

use crate::Failure;
use crate::cli::VerifyArgs;
use crate::jobfile::read_named;
use crate::packing::{request_beside, whose_fault};
use crate::say;

/// Runs `verify` and prints what holds and what does not.
///
/// # Errors
/// A wrong call if a file that it names cannot be read; else something does not agree, or what is to be checked cannot be read.
pub fn run(args: &VerifyArgs) -> Result<(), Failure> {
    let report = check(&args.path, &known(args)?).map_err(whose_fault)?;
    say::result(report.to_string().trim_end())?;
    if report.ok() {
        return Ok(());
    }
    Err(Failure::CouldNot(anyhow!(
        "{}: does not agree with itself; what does not hold is listed above",
        args.path.display()
    )))
}

/// What the caller knows beside what is in the pack.
fn known(args: &VerifyArgs) -> Result<Known, Failure> {
    let signers = args.signer.as_deref().map(read_named).transpose()?;
    let signers = signers.map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    let (answer, _) = beside(&args.path);
    let answer = args
        .time_stamp
        .clone()
        .or_else(|| answer.is_file().then_some(answer));
    Ok(Known {
        signers,
        request: answer.as_deref().map_or(Ok(None), request_beside)?,
        answer: answer.as_deref().map(read_named).transpose()?,
    })
}
