//! `push`: what is sealed of a record, uploaded to where the records of all sites are.

use nightclamp_fleet::{FleetError, Target, push};
use tokio::runtime::Runtime;

use crate::Failure;
use crate::cli::PushArgs;
use crate::say;

/// Runs `push` and prints what it uploaded.
///
/// # Errors
/// A wrong call if the address or the record cannot be used; else it could not be done, and calling again goes on.
pub fn run(args: &PushArgs, runtime: &Runtime) -> Result<(), Failure> {
    let target = Target::open(&args.url, std::env::vars()).map_err(whose_fault)?;
    let telling = |path: &str| say::to_people(&format!("{path}: uploading"));
    let pushed = runtime
        .block_on(push(&target, &args.dir, telling))
        .map_err(whose_fault)?;
    say::result(&format!(
        "site={}/record={}: {} files uploaded and read back ({} bytes), {} were there already",
        pushed.site, pushed.record, pushed.files, pushed.bytes, pushed.there
    ))?;
    if pushed.has_kept_customer {
        say::to_people("What identifies the customer stays here");
    }
    for place in &pushed.stale {
        say::to_people(&format!(
            "{place}: is still there, and was withdrawn from this record when another job file came into force; nothing is deleted from afar, so remove it there"
        ));
    }
    Ok(())
}

fn whose_fault(error: FleetError) -> Failure {
    match error {
        FleetError::Address { .. } | FleetError::NotReady { .. } => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    }
}
