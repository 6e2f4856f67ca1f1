//! The dashboard: one page over the live view, served to a browser on the same machine or on the bench network.
//!
//! The way in is [`Feed`], a [`Sink`](nightclamp_analysis::rows::Sink) that the projection writes to; the way out is
//! [`app`], a router that reads [`Live`]. Readers take a lock for as long as it takes to copy a bounded answer and never
//! across an await, so that nobody who looks can hold up the capture.
//!
//! What a person has done by a page goes through a [`hand::Hand`], which whoever owns the record gives to the [`Site`];
//! `change` has the rules that every such route is under.
//!
//! Invariants, absent on purpose: no request leaves the machine (every asset is compiled in), no GET changes anything, no
//! CORS, no inline script, no text from a board or a job file that is ever taken as markup.

pub mod access;
mod api;
mod assets;
pub mod bench;
mod change;
mod cycles;
mod cycling;
mod doubts;
mod download;
mod evidence;
mod fresh;
mod guard;
pub mod hand;
mod happened;
mod hosts;
mod laid;
mod listening;
mod live;
mod login;
mod made;
mod metrics;
mod night;
mod notes;
mod notice;
mod openapi;
mod params;
mod problem;
mod ring;
mod roles;
mod routes;
mod rows;
mod series;
mod serve;
pub mod setup;
mod state;
mod stream;
mod tables;
pub mod tls;
mod verdicts;
mod view;
mod zone;

pub use live::{Feed, Live};
pub use notice::{Level, NoticeView, RAW_LOG, TABLES};
pub use routes::routes;
pub use serve::{Site, app, serve};
