//! The columns of the three tables, in the data contract's order, and one row of each into them.

use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, fault_letter};
use nightclamp_protocol::Reading;
use parquet::data_type::ByteArray;

use crate::frame::{Column, Frame, Kind};
use crate::parquet_file::text;

/// Columns of `samples` before the channels'.
const FIXED_COLUMNS: usize = 5;
/// Columns of a channel: value, what was sent, fault.
const CHANNEL_COLUMNS: usize = 3;

/// The columns of `samples` before those of the channels.
pub(crate) fn sample_columns() -> Vec<Column> {
    vec![
        Column::required("time", Kind::Time),
        Column::required("arrival", Kind::Time),
        Column::required("boot", Kind::U32),
        Column::required("seq", Kind::U16),
        Column::required("board_ms", Kind::U64),
    ]
}

/// The columns of a place, null in the first `rows` rows.
pub(crate) fn channel_columns(name: &str, rows: usize) -> [Column; CHANNEL_COLUMNS] {
    [
        Column::optional(name, Kind::F64, rows),
        Column::optional(&format!("{name}_raw"), Kind::I32, rows),
        Column::optional(&format!("{name}_fault"), Kind::Text, rows),
    ]
}

pub(crate) fn push_sample(
    frame: &mut Frame,
    channels: &[usize],
    row: &SampleRow<'_>,
    faults: &[ByteArray; 4],
) {
    frame.rows += 1;
    let rows = frame.rows;
    if let [time, arrival, boot, seq, board_ms, ..] = frame.columns.as_mut_slice() {
        time.i64(row.time);
        arrival.i64(row.arrival);
        boot.i32(row.boot.cast_signed());
        seq.i32(i32::from(row.seq));
        board_ms.i64(row.board_ms.cast_signed());
    }
    for ((&at, reading), &value) in channels.iter().zip(row.readings).zip(row.values) {
        push_reading(
            frame.columns.get_mut(at..at + CHANNEL_COLUMNS),
            *reading,
            value,
            faults,
        );
    }
    if frame.columns.len()
        != FIXED_COLUMNS + CHANNEL_COLUMNS * channels.len().min(row.readings.len())
    {
        // Places of an earlier table that this one does not have.
        for column in &mut frame.columns {
            if column
                .levels
                .as_ref()
                .is_some_and(|levels| levels.len() < rows)
            {
                column.null();
            }
        }
    }
}

fn push_reading(
    columns: Option<&mut [Column]>,
    reading: Reading,
    value: f64,
    faults: &[ByteArray; 4],
) {
    let Some([number, raw, fault]) = columns else {
        return;
    };
    if value.is_nan() {
        number.null()
    } else {
        number.f64(value)
    }
    match reading {
        Reading::Number(sent) => {
            raw.i32(sent);
            fault.null();
        }
        Reading::Fault(what) => {
            raw.null();
            let letter = fault_letter(what).as_bytes();
            let kept = faults.iter().find(|kept| kept.data() == letter);
            fault.text(kept.cloned().unwrap_or_else(|| text(fault_letter(what))));
        }
    }
}

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
    ]
}

#[rustfmt::skip] // one line a column, in their order
pub(crate) fn push_cycle(frame: &mut Frame, row: &CycleRow) {
    frame.rows += 1;
    let [on_at, off_at, next_on_at, on_seen, on_s, off_s, start, ended_by, cause, peak_a, run_a, end_a, i2t_a2s, case_on_c,
        case_off_c, case_max_c, case_reset_c, reset_exact, disc_c, valid, basis] = frame.columns.as_mut_slice()
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
}

fn opt_i64(column: &mut Column, value: Option<i64>) {
    match value {
        Some(value) => column.i64(value),
        None => column.null(),
    }
}

fn opt_f64(column: &mut Column, value: Option<f64>) {
    match value {
        Some(value) if !value.is_nan() => column.f64(value),
        _ => column.null(),
    }
}

fn opt_text(column: &mut Column, value: Option<&str>) {
    match value {
        Some(value) => column.text(text(value)),
        None => column.null(),
    }
}
