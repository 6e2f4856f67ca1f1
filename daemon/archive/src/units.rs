//! What a job file says of its units, as a table: beside the cycles of many records it tells what was measured there.

use std::path::Path;

use nightclamp_analysis::job::{Job, Unit};

use crate::columns::{opt_f64, opt_text};
use crate::error::{At, Result};
use crate::frame::{Column, Frame, Kind};
use crate::parquet_file::{encode, text};

/// The bytes of a Parquet file with a row for each unit of the job: `unit`, `board`, `protector_kind`, `protector_model`, `opens_c`
/// (Cel), `rated_load_a` and `locked_rotor_a` (nameplate, A), and the terms `starts_per_hour`, `min_off_s`, `min_run_s`. What was
/// not given is null.
///
/// # Errors
/// None that is known: what Parquet's writer might say.
pub fn units_table(job: &Job) -> Result<Vec<u8>> {
    let mut columns: Vec<Column> = ["unit", "board", "protector_kind"]
        .map(|name| Column::required(name, Kind::Text))
        .into();
    columns.push(Column::optional("protector_model", Kind::Text, 0));
    columns.extend(figures(&Unit::default()).map(|(name, _)| Column::optional(name, Kind::F64, 0)));
    let mut frame = Frame::new(columns);
    for unit in &job.units {
        frame.rows += 1;
        if let [name, board, kind, model, rest @ ..] = frame.columns.as_mut_slice() {
            name.text(text(&unit.name));
            board.text(text(&unit.board.to_string()));
            kind.text(text(unit.protector.kind.as_str()));
            opt_text(model, unit.protector.model.as_deref());
            for (column, (_, figure)) in rest.iter_mut().zip(figures(unit)) {
                opt_f64(column, figure);
            }
        }
    }
    encode(&frame).at(Path::new("units.parquet"), "make")
}

fn figures(unit: &Unit) -> [(&'static str, Option<f64>); 6] {
    [
        ("opens_c", unit.protector.opens_c),
        ("rated_load_a", unit.rated_load_a),
        ("locked_rotor_a", unit.locked_rotor_a),
        ("starts_per_hour", unit.limits.starts_per_hour),
        ("min_off_s", unit.limits.min_off_s),
        ("min_run_s", unit.limits.min_run_s),
    ]
}
