//! A unit's rows copied out of the live view, for what is worked out from rows alone.

use chrono_tz::Tz;
use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::job;
use nightclamp_analysis::rows::{CycleRow, EventKind, EventRow};

use crate::live::{Live, View};
use crate::params::Params;
use crate::problem::Problem;
use crate::rows::{Rows, Timed};

/// Rows of one unit and of its board, in order, as they stood when they were copied.
pub struct Copied {
    unit: job::Unit,
    zone: Tz,
    shown_offset_us: i64,
    /// From the first row that is still in memory, or the first sample, to the last sample.
    span: Span,
    /// The stretch that was asked about.
    pub asked: Span,
    cycles: Vec<CycleRow>,
    events: Vec<EventRow>,
    board_events: Vec<EventRow>,
    /// Older rows than these are in the tables on disk alone.
    pub is_cut: bool,
}

impl Copied {
    /// Copies what reaches into the stretch asked for. Its open ends are those of the record; it ends no later than now.
    pub fn of(live: &Live, params: &Params) -> Result<Self, Problem> {
        let view = live.view();
        let store = view
            .unit(&params.unit)
            .ok_or_else(|| Problem::not_found("unit: the job has no compressor of this name"))?;
        let unit = live.shared().units.iter().find(|u| u.name == params.unit);
        let unit = unit.cloned().unwrap_or_default();
        let (first_us, last_us) = store.overview.span().unwrap_or_default();
        let board = format!("board-{}", store.board);
        let cut = [cut_of(&view, &params.unit), cut_of(&view, &board)];
        let cut = cut.into_iter().flatten().max();
        let now_us = live.record_now_us(&view);
        let end_us = params.to_us.unwrap_or(last_us.saturating_add(1));
        let span = Span {
            from: first_us.max(cut.unwrap_or(first_us)),
            until: last_us.max(first_us),
        };
        let asked = Span {
            from: params.from_us.unwrap_or(span.from).max(span.from),
            until: end_us.min(now_us.max(last_us).saturating_add(1)),
        };
        let lists = view.lists.get(&params.unit);
        Ok(Self {
            unit,
            zone: live.shared().zone,
            shown_offset_us: view.now.host_offset_us,
            span,
            cycles: lists.map_or_else(Vec::new, |lists| reaching(&lists.cycles, asked)),
            events: lists.map_or_else(Vec::new, |lists| reaching(&lists.events, asked)),
            board_events: view
                .lists
                .get(&board)
                .map_or_else(Vec::new, |lists| with_gap_before(&lists.events, asked)),
            asked,
            is_cut: cut.is_some(),
        })
    }

    /// The same as the heart takes it.
    pub fn evidence(&self) -> Evidence<'_> {
        Evidence {
            unit: &self.unit,
            zone: self.zone,
            shown_offset_us: self.shown_offset_us,
            span: self.span,
            cycles: &self.cycles,
            events: &self.events,
            board_events: &self.board_events,
        }
    }

    /// The same, with nothing in it but the stretch asked for.
    pub fn evidence_asked(&self) -> Evidence<'_> {
        let whole = self.evidence();
        let first = self
            .cycles
            .partition_point(|cycle| cycle.on_at < self.asked.from);
        Evidence {
            span: self
                .asked
                .common(&whole.span)
                .unwrap_or(Span::at(self.span.from)),
            cycles: self.cycles.get(first..).unwrap_or_default(),
            ..whole
        }
    }
}

/// Where the rows of a name begin, if older ones were let go of.
fn cut_of(view: &View, name: &str) -> Option<i64> {
    let lists = view.lists.get(name)?;
    lists.cycles.cut_us().max(lists.events.cut_us())
}

fn reaching<T: Timed + Clone + PartialEq>(rows: &Rows<T>, span: Span) -> Vec<T> {
    let reaches = |row: &&T| row.until() >= span.from && row.time() < span.until;
    let mut rows: Vec<T> = rows.iter().filter(reaches).cloned().collect();
    // An event becomes final when its cause is: a later one may be sealed before an earlier one.
    rows.sort_by_key(Timed::time);
    rows
}

/// A gap that reaches into the stretch may have begun before it.
fn with_gap_before(rows: &Rows<EventRow>, span: Span) -> Vec<EventRow> {
    let is_gap = |row: &&EventRow| {
        row.time < span.from && matches!(row.kind, EventKind::GapBegin | EventKind::GapEnd)
    };
    let before = rows.iter().filter(is_gap).max_by_key(|row| row.time);
    let begun = before
        .filter(|row| row.kind == EventKind::GapBegin)
        .cloned();
    begun.into_iter().chain(reaching(rows, span)).collect()
}
