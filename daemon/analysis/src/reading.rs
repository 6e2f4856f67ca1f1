//! What a person measured by hand and wrote down: windings, insulation, capacitor, start device, protector.
//!
//! A reading is a recorder's note in the raw log,
//!
//! ```text
//! #MICROS reading unit=freezer what=common-run value=4.8 Ohm by=J. Doe, cold
//! ```
//!
//! kept as said. It changes nothing that a board said: it becomes an event `mark` of the unit, whose detail begins with the
//! word `reading`, and findings quote it where it bears on them. [`Reading::note`] writes the note's text (what comes after
//! `#MICROS `), [`Reading::parse`] reads it, [`Reading::from_event`] reads it back from an event.

use crate::findings::{Finding, FindingKind};
use crate::rows::{EventKind, EventRow, RecordTime};

/// Longest name of who measured, characters.
pub const BY_CHARS_MAX: usize = 60;
/// Longest note, bytes.
pub const NOTE_BYTES_MAX: usize = 240;
/// Largest figure, in any unit: beyond it, an instrument shows open.
pub const VALUE_MAX: f64 = 1e12;

/// What was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum What {
    /// Winding, common to start, Ohm.
    CommonStart,
    /// Winding, common to run, Ohm.
    CommonRun,
    /// Winding, start to run, Ohm.
    StartRun,
    /// Windings to earth, MOhm.
    Insulation,
    /// Start or run capacitor, µF.
    Capacitor,
    /// The start device's PTC, cold, Ohm.
    Ptc,
    /// Protector at room temperature, Ohm.
    ProtectorCold,
    /// Protector just after it has opened, Ohm.
    ProtectorHot,
}

/// Every kind of reading.
pub const ALL: [What; 8] = [
    What::CommonStart,
    What::CommonRun,
    What::StartRun,
    What::Insulation,
    What::Capacitor,
    What::Ptc,
    What::ProtectorCold,
    What::ProtectorHot,
];

impl What {
    /// As written in the note.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::CommonStart => "common-start",
            Self::CommonRun => "common-run",
            Self::StartRun => "start-run",
            Self::Insulation => "insulation",
            Self::Capacitor => "capacitor",
            Self::Ptc => "ptc",
            Self::ProtectorCold => "protector-cold",
            Self::ProtectorHot => "protector-hot",
        }
    }

    /// The unit of its figure.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Insulation => "MOhm",
            Self::Capacitor => "uF",
            _ => "Ohm",
        }
    }

    /// In words for people.
    pub const fn words(self) -> &'static str {
        match self {
            Self::CommonStart => "winding from common to start",
            Self::CommonRun => "winding from common to run",
            Self::StartRun => "winding from start to run",
            Self::Insulation => "windings to earth",
            Self::Capacitor => "capacitor",
            Self::Ptc => "PTC of the start device, cold",
            Self::ProtectorCold => "protector, cold",
            Self::ProtectorHot => "protector, just after it had opened",
        }
    }

    /// The kind of that name.
    pub fn named(name: &str) -> Option<Self> {
        ALL.into_iter().find(|what| what.as_str() == name)
    }
}

/// What the instrument showed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value {
    /// A figure in the unit of what was measured.
    Figure(f64),
    /// Open: over the instrument's range, `OL`.
    Open,
}

impl Value {
    /// The figure, if it is one.
    pub const fn figure(self) -> Option<f64> {
        match self {
            Self::Figure(figure) => Some(figure),
            Self::Open => None,
        }
    }
}

/// A reading by hand.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The unit it was taken of, as in the job file.
    pub unit: String,
    /// What was measured.
    pub what: What,
    /// What the instrument showed.
    pub value: Value,
    /// Who says so; may be empty.
    pub by: String,
}

/// Why a reading is not taken down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// No unit, or a name with more than a-z, 0-9 and `-`.
    #[error("a unit's name is needed, as in the job file")]
    Unit,
    /// Unknown kind.
    #[error(
        "one of common-start, common-run, start-run, insulation, capacitor, ptc, protector-cold, protector-hot is needed"
    )]
    What,
    /// Neither a figure from 0 to [`VALUE_MAX`] nor `OL`.
    #[error("a figure that is not negative is needed, or OL for open")]
    Value,
    /// Too long, or with control characters.
    #[error("a name of at most 60 characters on one line is needed")]
    By,
}

impl Reading {
    /// A reading, checked.
    ///
    /// # Errors
    /// What is wrong with it, for the person who enters it.
    pub fn new(unit: &str, what: &str, value: &str, by: &str) -> Result<Self, Refused> {
        let is_name = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if unit.is_empty() || unit.len() > 64 || !unit.chars().all(is_name) {
            return Err(Refused::Unit);
        }
        let what = What::named(what).ok_or(Refused::What)?;
        let by = by.trim();
        if by.chars().count() > BY_CHARS_MAX || by.chars().any(char::is_control) {
            return Err(Refused::By);
        }
        Ok(Self {
            unit: unit.to_owned(),
            what,
            value: parse_value(value, what).ok_or(Refused::Value)?,
            by: by.to_owned(),
        })
    }

    /// The note's text, to be written after `#MICROS `: one line, no control character.
    pub fn note(&self) -> String {
        format!("reading {}", self.fields())
    }

    fn fields(&self) -> String {
        format!(
            "unit={} what={} value={} by={}",
            self.unit,
            self.what.as_str(),
            self.shown(),
            self.by
        )
    }

    /// The figure with its unit, or `OL`.
    pub fn shown(&self) -> String {
        match self.value {
            Value::Figure(figure) => format!("{figure} {}", self.what.unit()),
            Value::Open => "OL".to_owned(),
        }
    }

    /// Reads the text of a note after the word `reading`. Untrusted: what is not a reading is `None`.
    pub fn parse(fields: &str) -> Option<Self> {
        if fields.len() > NOTE_BYTES_MAX {
            return None;
        }
        let rest = fields.strip_prefix("unit=")?;
        let (unit, rest) = rest.split_once(" what=")?;
        let (what, rest) = rest.split_once(" value=")?;
        let (value, by) = rest.split_once(" by=")?;
        Self::new(unit, what, value, by).ok()
    }

    /// The detail of the event that it becomes.
    pub fn detail(&self) -> String {
        self.note()
    }

    /// Reads it back from an event.
    pub fn from_event(event: &EventRow) -> Option<Self> {
        if event.kind != EventKind::Mark {
            return None;
        }
        Self::parse(event.detail.strip_prefix("reading ")?)
    }
}

/// A figure, with or without its unit, or open.
fn parse_value(text: &str, what: What) -> Option<Value> {
    let text = text.trim();
    if text.eq_ignore_ascii_case("ol") {
        return Some(Value::Open);
    }
    let text = text.strip_suffix(what.unit()).unwrap_or(text).trim_end();
    let plain = !text.is_empty() && text.chars().all(|c| c.is_ascii_digit() || c == '.');
    let figure: f64 = text.parse().ok().filter(|_| plain)?;
    (figure <= VALUE_MAX).then_some(Value::Figure(figure))
}

/// A reading with when it was taken down.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// Record time of the note.
    pub at: RecordTime,
    /// The reading.
    pub reading: Reading,
}

/// The readings among a unit's events, in order.
pub fn readings(events: &[EventRow]) -> Vec<Taken> {
    let taken = |event: &EventRow| {
        Some(Taken {
            at: event.time,
            reading: Reading::from_event(event)?,
        })
    };
    events.iter().filter_map(taken).collect()
}

/// The largest of the three winding resistances is the sum of the other two within this share of it, or [`SUM_WITHIN_OHM`]:
/// a hand meter is good for about 1 % and a digit on each of the three, and its leads add the same to each (so the sum of
/// two has one lead too many): three of some per cent and a few tenths of an ohm. Common practice, no source.
pub const SUM_WITHIN: f64 = 0.08;
/// See [`SUM_WITHIN`], Ohm.
pub const SUM_WITHIN_OHM: f64 = 0.5;
/// Insulation below this is a fault to earth, MOhm (common practice, no source).
pub const INSULATION_BAD_MOHM: f64 = 0.5;
/// Insulation below this is low and has to be looked into, MOhm (common practice, no source).
pub const INSULATION_LOW_MOHM: f64 = 2.0;
/// A protector that reads more than this when cold does not conduct as it should, Ohm (common practice, no source: strips
/// have 0.3 to 0.5, round ones about 0.1, and a hand meter's leads add some tenths).
pub const PROTECTOR_COLD_OHM: f64 = 3.0;

/// What the newest readings of each kind say, and where they do not fit together.
pub fn findings(taken: &[Taken]) -> Vec<Finding> {
    let newest = |what: What| taken.iter().rev().find(|taken| taken.reading.what == what);
    let mut said = Vec::new();
    said.extend(windings(newest));
    if let Some(found) = newest(What::Insulation) {
        said.extend(insulation(found));
    }
    said.extend(protector(newest));
    if let Some(found) = newest(What::Ptc).filter(|t| t.reading.value == Value::Open) {
        said.push(said_of(
            &[found],
            "ptc-open",
            "By hand, the start device's PTC reads open (OL) when cold: it cannot put the start winding in.".to_owned(),
            "Measure it again off the compressor; replace it if it still reads open.",
        ));
    }
    said
}

fn said_of(of: &[&Taken], word: &'static str, sentence: String, check: &str) -> Finding {
    let values = of
        .iter()
        .filter_map(|t| Some((t.reading.what.as_str(), t.reading.value.figure()?)));
    let mut values: Vec<(&'static str, f64)> = values.collect();
    values.insert(0, (word, 1.0));
    Finding {
        kind: FindingKind::Reading,
        sentence,
        check: check.to_owned(),
        values,
        rows: of.iter().map(|taken| taken.at).collect(),
        chance: None,
    }
}

fn windings<'a>(newest: impl Fn(What) -> Option<&'a Taken>) -> Option<Finding> {
    let three = [What::CommonStart, What::CommonRun, What::StartRun].map(newest);
    let open: Vec<&Taken> = three
        .into_iter()
        .flatten()
        .filter(|taken| taken.reading.value == Value::Open)
        .collect();
    if !open.is_empty() {
        let names: Vec<&str> = open
            .iter()
            .map(|taken| taken.reading.what.as_str())
            .collect();
        let internal = "an internal protector that is still open reads the same from common";
        return Some(said_of(
            &open,
            "winding-open",
            format!(
                "By hand, {} reads open (OL): a winding or a lead is open; {internal}.",
                names.join(" and ")
            ),
            "Let it cool for an hour and measure again at the terminals themselves.",
        ));
    }
    let [Some(start), Some(run), Some(both)] = three else {
        return None;
    };
    let mut ohms = [start, run, both].map(|taken| taken.reading.value.figure().unwrap_or(f64::NAN));
    ohms.sort_by(f64::total_cmp);
    let [low, middle, high] = ohms;
    let off = (high - low - middle).abs();
    if off <= (SUM_WITHIN * high).max(SUM_WITHIN_OHM) {
        return None;
    }
    Some(said_of(
        &[start, run, both],
        "windings-do-not-add-up",
        format!(
            "By hand, the windings do not add up: {low} + {middle} is {:.1} Ohm, and the largest reads {high} Ohm. Two in series \
             should read the sum.",
            low + middle
        ),
        "Measure all three again, cold, at the terminals, with the leads' own resistance taken off; then look for a partly \
         shorted winding or a wrong terminal.",
    ))
}

fn insulation(taken: &Taken) -> Option<Finding> {
    let mohm = taken.reading.value.figure()?;
    let check = "Do not energise it. Measure again with everything else off the windings; warm and dry the shell before a \
                 second reading.";
    if mohm < INSULATION_BAD_MOHM {
        let sentence = format!(
            "By hand, the windings read {mohm} MOhm to earth: a fault to earth (under {INSULATION_BAD_MOHM} MOhm, common practice)."
        );
        return Some(said_of(&[taken], "insulation-bad", sentence, check));
    }
    (mohm < INSULATION_LOW_MOHM).then(|| {
        let sentence = format!(
            "By hand, the windings read {mohm} MOhm to earth: low (under {INSULATION_LOW_MOHM} MOhm, common practice)."
        );
        said_of(&[taken], "insulation-low", sentence, check)
    })
}

fn protector<'a>(newest: impl Fn(What) -> Option<&'a Taken>) -> Vec<Finding> {
    let mut said = Vec::new();
    if let Some(cold) = newest(What::ProtectorCold) {
        let poor = cold
            .reading
            .value
            .figure()
            .is_none_or(|ohm| ohm > PROTECTOR_COLD_OHM);
        if poor {
            said.push(said_of(
                &[cold],
                "protector-poor-cold",
                format!(
                    "By hand, the protector reads {} when cold: it does not conduct as it should.",
                    cold.reading.shown()
                ),
                "Measure it again after an hour at room temperature, off the compressor.",
            ));
        }
    }
    if let Some(hot) = newest(What::ProtectorHot).filter(|t| t.reading.value.figure().is_some()) {
        said.push(said_of(
            &[hot],
            "protector-closed-hot",
            format!(
                "By hand, the protector reads {} just after an opening was expected: it was closed when it was measured.",
                hot.reading.shown()
            ),
            "Measure straight after the current has gone; if demand was off too, it may have been the control.",
        ));
    }
    said
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // tests stop where something is wrong
    use super::*;
    use proptest::prelude::*;

    fn taken(of: &[(&str, &str)]) -> Vec<Taken> {
        let take = |(at, (what, value)): (i64, &(&str, &str))| Taken {
            at,
            reading: Reading::new("freezer", what, value, "J. Doe").unwrap(),
        };
        (0..).zip(of).map(take).collect()
    }

    fn words(of: &[(&str, &str)]) -> Vec<&'static str> {
        findings(&taken(of))
            .iter()
            .map(|finding| finding.values[0].0)
            .collect()
    }

    #[test]
    fn a_reading_is_kept_as_said() {
        let reading =
            Reading::new("freezer", "common-run", "4.8 Ohm", " J. Doe, cold by=hand ").unwrap();
        assert_eq!(
            reading.note(),
            "reading unit=freezer what=common-run value=4.8 Ohm by=J. Doe, cold by=hand"
        );
        assert_eq!(
            Reading::parse(reading.note().strip_prefix("reading ").unwrap()),
            Some(reading)
        );
        let open = Reading::new("freezer", "protector-cold", "ol", "").unwrap();
        assert_eq!(
            open.note(),
            "reading unit=freezer what=protector-cold value=OL by="
        );
        for (unit, what, value, by, why) in [
            ("", "ptc", "5", "", Refused::Unit),
            ("free zer", "ptc", "5", "", Refused::Unit),
            ("freezer", "spark", "5", "", Refused::What),
            ("freezer", "ptc", "-5", "", Refused::Value),
            ("freezer", "ptc", "1e3", "", Refused::Value),
            ("freezer", "ptc", "inf", "", Refused::Value),
            ("freezer", "ptc", "5 MOhm", "", Refused::Value),
            ("freezer", "ptc", "5", "J.\nDoe", Refused::By),
            ("freezer", "ptc", "5", &"n".repeat(61), Refused::By),
        ] {
            assert_eq!(
                Reading::new(unit, what, value, by),
                Err(why),
                "{unit} {what} {value} {by}"
            );
        }
    }

    #[test]
    fn the_largest_winding_is_the_sum_of_the_other_two() {
        let three =
            |cs, cr, sr| words(&[("common-start", cs), ("common-run", cr), ("start-run", sr)]);
        let nothing: Vec<&str> = Vec::new();
        assert_eq!(three("16.2", "4.8", "21.0"), nothing);
        assert_eq!(three("16.2", "4.8", "20.6"), nothing); // a lead of 0.4 Ohm in each
        assert_eq!(three("1.1", "0.6", "2.1"), nothing);
        assert_eq!(three("16.2", "4.8", "17.0"), ["windings-do-not-add-up"]);
        assert_eq!(three("OL", "4.8", "OL"), ["winding-open"]);
        assert_eq!(
            words(&[("common-start", "16.2"), ("common-run", "4.8")]),
            nothing
        );
        // The newest counts.
        let again = [
            ("common-start", "9"),
            ("common-run", "4.8"),
            ("start-run", "21"),
            ("common-start", "16.2"),
        ];
        assert_eq!(words(&again), nothing);
    }

    #[test]
    fn insulation_start_device_and_protector_are_judged_by_common_practice() {
        for (what, value, expected) in [
            ("insulation", "OL", None),
            ("insulation", "50", None),
            ("insulation", "1.2", Some("insulation-low")),
            ("insulation", "0.02", Some("insulation-bad")),
            ("ptc", "18", None),
            ("ptc", "OL", Some("ptc-open")),
            ("protector-cold", "0.4", None),
            ("protector-cold", "OL", Some("protector-poor-cold")),
            ("protector-hot", "OL", None),
            ("protector-hot", "0.4", Some("protector-closed-hot")),
            ("capacitor", "4.1", None),
        ] {
            let said = words(&[(what, value)]);
            assert_eq!(
                said,
                expected.into_iter().collect::<Vec<_>>(),
                "{what} {value}"
            );
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(
            unit in "[a-z][a-z0-9-]{0,20}", which in 0usize..8, figure in proptest::option::of(0.0f64..1e9), by in "\\PC{0,40}",
        ) {
            let value = figure.map_or("OL".to_owned(), |figure| format!("{figure:.3}"));
            let reading = Reading::new(&unit, ALL[which].as_str(), &value, &by);
            if let Ok(reading) = reading {
                let note = reading.note();
                prop_assert!(!note.chars().any(char::is_control));
                prop_assert_eq!(Reading::parse(note.strip_prefix("reading ").unwrap_or("")), Some(reading));
            }
        }

        #[test]
        fn no_text_makes_it_stumble(text in "\\PC{0,300}") {
            let _ = Reading::parse(&text);
        }
    }
}
