//! What is put beside a bench test: another one, or what the trips of a night told of the protector where it works.

use super::results::{Constants, Pair, Results, side_by_side};
use super::sheet::{Block, PairRow, Sheet};
use super::shown::{difference, figure};
use crate::job::TemperatureScale;
use crate::protector::{Estimate, Own};

/// What stands beside a bench test.
#[derive(Debug, Clone, PartialEq)]
pub struct Beside {
    /// What it is called: its record.
    pub name: String,
    /// What it tells.
    pub second: Second,
}

/// What tells the second constants.
#[derive(Debug, Clone, PartialEq)]
pub enum Second {
    /// Another bench test.
    Bench(Box<Results>),
    /// The trips of one compressor's protector in a night's record.
    Site {
        /// The compressor.
        unit: String,
        /// What its protector's own trips tell.
        own: Box<Own>,
    },
}

impl Beside {
    /// Constant by constant: those of `first` and these. Both ultimate trip currents are told for the room of `first`.
    pub fn pairs(&self, first: &Results) -> Vec<Pair> {
        let case_c = first.case_c();
        let second = match &self.second {
            Second::Bench(results) => results.constants(case_c),
            Second::Site { own, .. } => own
                .fitted
                .as_ref()
                .map(|fitted| Constants::of(fitted, case_c))
                .unwrap_or_default(),
        };
        side_by_side(&first.constants(case_c), &second)
    }

    /// Both side by side, then all that the second one tells, in words.
    pub fn told(&self, first: &Results, scale: TemperatureScale) -> Sheet {
        let mut out = Sheet::default();
        out.head("Side by side: this test is the first");
        out.line(&format!("The second: {}.", self.name));
        if let Some(case_c) = first.case_c() {
            let case = figure(case_c, "Cel", scale);
            out.line(&format!(
                "Ultimate trip currents in a case that stays at {case}; each by its own bead and clamp."
            ));
        }
        let rows = self.pairs(first);
        let rows = rows.iter().map(|pair| row(pair, scale)).collect();
        let heads = [
            "constant",
            "the first",
            "the second",
            "the second less the first",
        ];
        out.blocks.push(Block::Pairs {
            heads: heads.map(str::to_owned),
            rows,
        });
        out.head(&format!("The second, {}", self.name));
        match &self.second {
            Second::Bench(results) => out.blocks.extend(results.told(scale).blocks),
            Second::Site { unit, own } => site(&mut out, unit, own),
        }
        out
    }
}

fn site(out: &mut Sheet, unit: &str, own: &Own) {
    out.line(&format!(
        "The protector of {unit} where it works: {} openings and {} closings of its own were fitted.",
        own.openings, own.closings
    ));
    match &own.fitted {
        Ok(fitted) => fitted
            .untold
            .iter()
            .for_each(|untold| out.beneath(1, &untold.to_string())),
        Err(why) => out.beneath(1, &why.to_string()),
    }
}

fn row(pair: &Pair, scale: TemperatureScale) -> PairRow {
    let shown = |of: Option<Estimate>| {
        of.map_or_else(
            || "not told".to_owned(),
            |of| figure(of.value, pair.unit, scale),
        )
    };
    let apart = match (pair.difference, pair.within) {
        (Some(by), Some(within)) => format!(
            "{} ± {}: {}",
            difference(by, pair.unit, scale),
            difference(within, pair.unit, scale),
            if pair.differs() {
                "they differ"
            } else {
                "no certain difference"
            }
        ),
        _ => "cannot be compared".to_owned(),
    };
    [
        pair.what.to_owned(),
        shown(pair.first),
        shown(pair.second),
        apart,
    ]
}
