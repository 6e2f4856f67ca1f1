//! `customer`: what identifies a customer, beside a record and out of everything that is derived from it.

use std::path::Path;

use anyhow::anyhow;
use nightclamp_archive::{ArchiveError, Customer, customer_of, set_customer};

use crate::Failure;
use crate::cli::CustomerArgs;
use crate::jobfile::read_named;
use crate::say;

/// Runs `customer`: sets it, or shows it.
///
/// # Errors
/// A wrong call if the customer file is wrong or there is no record; else it could not be done.
pub fn run(args: &CustomerArgs) -> Result<(), Failure> {
    if let Some(path) = &args.set {
        let customer = read(path)?;
        let is_new = set_customer(&args.dir, &customer).map_err(whose_fault)?;
        say::to_people(if is_new {
            "The customer is set; customer.toml can be left out of what is handed on"
        } else {
            "It is this customer already"
        });
        return Ok(());
    }
    match customer_of(&args.dir).map_err(whose_fault)? {
        Some(customer) => {
            for (key, value) in customer.told() {
                say::result(&format!("{key}: {value}"))?;
            }
        }
        None => say::to_people("No customer is given, or it was left out"),
    }
    Ok(())
}

/// Reads a customer file that the call names.
///
/// # Errors
/// A wrong call: it is not there, or wrong (with line and key).
pub fn read(path: &Path) -> Result<Customer, Failure> {
    let shown = path.display().to_string();
    let text = String::from_utf8(read_named(path)?)
        .map_err(|error| Failure::call(format!("{shown}: {error}")))?;
    Customer::parse(&text, &shown).map_err(|why| Failure::Call(anyhow!(why)))
}

fn whose_fault(error: ArchiveError) -> Failure {
    match error {
        ArchiveError::NoRecord { .. } => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    }
}
