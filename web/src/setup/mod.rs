//! Setting up without editing files: what the page types becomes the same job file, judged by the same code.
//!
//! `form` is what was typed, `edit` writes it into the text of the job file and leaves all else as it was, `prefill` goes the
//! other way, `routes` are the addresses. The machine itself stands behind [`Desk`]. The plan of a bench test is a job file, too,
//! and made by the same page.

mod desk;
mod edit;
mod form;
mod prefill;
pub(crate) mod routes;

pub use desk::{Answer, Desk, Finding, Heard, HeardBoard, HeardChannel, JobFile, Port, Trouble};
pub use routes::sha256_of;
