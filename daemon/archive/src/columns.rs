//! The columns of `events`, `cycles` and `overview`, in the data contract's order, and one row of each into them.

use nightclamp_analysis::overview::{Line, OverviewRow};
use nightclamp_analysis::rows::{CycleRow, EventRow};

use crate::frame::{Column, Frame, Kind};
use crate::parquet_file::text;

pub(crate) fn event_columns() -> Vec<Column> {
    vec![
        Column::required("time", Kind::Time),
        Column::required("kind", Kind::Text),
        Column::optional("cause", Kind::Text, 0),
        Column::optional("current_a", Kind::F64, 0),
        Column::optional("case_c", Kind::F64, 0),
        Column::required("detail", Kind::Text),
    ]
}

pub(crate) fn push_event(frame: &mut Frame, row: &EventRow) {
    frame.rows += 1;
    if let [time, kind, cause, current_a, case_c, detail] = frame.columns.as_mut_slice() {
        time.i64(row.time);
        kind.text(text(row.kind.as_str()));
        opt_text(cause, row.cause.map(|cause| cause.as_str()));
        opt_f64(current_a, row.current_a);
        opt_f64(case_c, row.case_c);
        detail.text(text(&row.detail));
    }
}

pub(crate) fn cycle_columns() -> Vec<Column> {
    let (required, optional) = (Column::required, |name, kind| {
        Column::optional(name, kind, 0)
    });
    vec![
        required("on_at", Kind::Time),
        optional("off_at", Kind::Time),
        optional("next_on_at", Kind::Time),
        required("on_seen", Kind::Bool),
        optional("on_s", Kind::F64),
        optional("off_s", Kind::F64),
        required("start", Kind::Text),
        optional("ended_by", Kind::Text),
        optional("cause", Kind::Text),
        optional("peak_a", Kind::F64),
        optional("run_a", Kind::F64),
        optional("end_a", Kind::F64),
        optional("i2t_a2s", Kind::F64),
        optional("case_on_c", Kind::F64),
        optional("case_off_c", Kind::F64),
        optional("case_max_c", Kind::F64),
        optional("case_reset_c", Kind::F64),
        required("reset_exact", Kind::Bool),
        optional("disc_c", Kind::F64),
        required("valid", Kind::F64),
        required("basis", Kind::Text),
        optional("start_s", Kind::F64),
        optional("supply_before_v", Kind::F64),
        optional("supply_low_v", Kind::F64),
        optional("start_lead_peak_a", Kind::F64),
        optional("start_lead_a", Kind::F64),
        optional("run_first_a", Kind::F64),
        optional("run_last_a", Kind::F64),
        optional("ambient_on_c", Kind::F64),
        optional("floor_a", Kind::F64),
        optional("noise_a", Kind::F64),
    ]
}

#[rustfmt::skip] // one line a column, in their order
pub(crate) fn push_cycle(frame: &mut Frame, row: &CycleRow) {
    frame.rows += 1;
    let [on_at, off_at, next_on_at, on_seen, on_s, off_s, start, ended_by, cause, peak_a, run_a, end_a, i2t_a2s, case_on_c,
        case_off_c, case_max_c, case_reset_c, reset_exact, disc_c, valid, basis, start_s, supply_before_v, supply_low_v,
        start_lead_peak_a, start_lead_a, run_first_a, run_last_a, ambient_on_c, floor_a, noise_a] = frame.columns.as_mut_slice()
    else {
        return;
    };
    on_at.i64(row.on_at);
    opt_i64(off_at, row.off_at);
    opt_i64(next_on_at, row.next_on_at);
    on_seen.bool(row.on_seen);
    opt_f64(on_s, row.on_s);
    opt_f64(off_s, row.off_s);
    start.text(text(row.start.as_str()));
    opt_text(ended_by, row.ended_by.map(|by| by.as_str()));
    opt_text(cause, row.cause.map(|cause| cause.as_str()));
    opt_f64(peak_a, row.peak_a);
    opt_f64(run_a, row.run_a);
    opt_f64(end_a, row.end_a);
    opt_f64(i2t_a2s, row.i2t_a2s);
    opt_f64(case_on_c, row.case_on_c);
    opt_f64(case_off_c, row.case_off_c);
    opt_f64(case_max_c, row.case_max_c);
    opt_f64(case_reset_c, row.case_reset_c);
    reset_exact.bool(row.reset_exact);
    opt_f64(disc_c, row.disc_c);
    valid.f64(row.valid);
    basis.text(text(&row.basis));
    opt_f64(start_s, row.start_s);
    opt_f64(supply_before_v, row.supply_before_v);
    opt_f64(supply_low_v, row.supply_low_v);
    opt_f64(start_lead_peak_a, row.start_lead_peak_a);
    opt_f64(start_lead_a, row.start_lead_a);
    opt_f64(run_first_a, row.run_first_a);
    opt_f64(run_last_a, row.run_last_a);
    opt_f64(ambient_on_c, row.ambient_on_c);
    opt_f64(floor_a, row.floor_a);
    opt_f64(noise_a, row.noise_a);
}

pub(crate) fn overview_columns() -> Vec<Column> {
    let mut columns = vec![
        Column::required("time", Kind::Time),
        Column::required("first", Kind::Time),
        Column::required("last", Kind::Time),
        Column::required("samples", Kind::U32),
    ];
    for (low, high) in Line::ALL.map(Line::columns) {
        columns.push(Column::optional(low, Kind::F64, 0));
        columns.push(Column::optional(high, Kind::F64, 0));
    }
    columns.push(Column::optional("disc_first_c", Kind::F64, 0));
    columns.push(Column::optional("floor_a", Kind::F64, 0));
    columns
}

pub(crate) fn push_overview(frame: &mut Frame, row: &OverviewRow) {
    frame.rows += 1;
    let [
        time,
        first,
        last,
        samples,
        ranges @ ..,
        disc_first_c,
        floor_a,
    ] = frame.columns.as_mut_slice()
    else {
        return;
    };
    time.i64(row.time);
    first.i64(row.first);
    last.i64(row.last);
    samples.i32(row.samples.cast_signed());
    let (pairs, _) = ranges.as_chunks_mut::<2>();
    for ([low, high], range) in pairs.iter_mut().zip(row.ranges) {
        opt_f64(low, Some(range.low));
        opt_f64(high, Some(range.high));
    }
    opt_f64(disc_first_c, row.disc_first_c);
    opt_f64(floor_a, row.floor_a);
}

fn opt_i64(column: &mut Column, value: Option<i64>) {
    match value {
        Some(value) => column.i64(value),
        None => column.null(),
    }
}

pub(crate) fn opt_f64(column: &mut Column, value: Option<f64>) {
    match value {
        Some(value) if !value.is_nan() => column.f64(value),
        _ => column.null(),
    }
}

pub(crate) fn opt_text(column: &mut Column, value: Option<&str>) {
    match value {
        Some(value) => column.text(text(value)),
        None => column.null(),
    }
}
