//! The dashboard: one page over the live view, served to a browser on the same machine or on the bench network.
//!
//! The way in is [`Feed`], a [`Sink`](nightclamp_analysis::rows::Sink) that the projection writes to; the way out is
//! [`app`], a router that reads [`Live`]. Readers take a lock for as long as it takes to copy a bounded answer and never
//! across an await, so that nobody who looks can hold up the capture.
//!
//! Invariants, absent on purpose: no request leaves the machine (every asset is compiled in), no route changes anything
//! yet, no cookie, no CORS, no inline script, no text from a board or a job file that is ever taken as markup.

mod api;
mod assets;
mod guard;
mod live;
mod params;
mod problem;
mod ring;
mod roles;
mod rows;
mod serve;
mod state;
mod stream;
mod summary;
mod view;
mod zone;

pub use live::{Feed, Live};
pub use serve::{app, serve};
