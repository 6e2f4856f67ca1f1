//! Cycling in sentences for people.

use super::terms::{Term, TermKind, Whose};
use super::{Cycling, EQUALISED_S, Rolling};
use crate::evidence::Evidence;
use crate::findings::{Finding, FindingKind};

/// The night follows the thermostat's parabola if N lies within this share of it.
const FOLLOWS: f64 = 0.25;
/// So many instants of a broken term are named in a sentence; all of them are in the rows.
const NAMED: usize = 3;

impl Cycling {
    /// What the record shows of the cycling, in sentences, with what to check.
    pub fn findings(&self, evidence: &Evidence<'_>) -> Vec<Finding> {
        let mut said: Vec<Finding> = Vec::new();
        said.extend(self.rolling.map(|rolling| busiest(rolling, self, evidence)));
        let terms = self
            .terms
            .iter()
            .flat_map(|term| term_findings(term, evidence));
        said.extend(terms);
        let has_term = self
            .terms
            .iter()
            .any(|term| term.kind == TermKind::LeastOff);
        if !has_term {
            said.extend(term_findings(&self.equalised, evidence));
        }
        said.extend(self.follows());
        said
    }

    fn follows(&self) -> Option<Finding> {
        let fit = self.parabola?;
        let how = if fit.off_by <= FOLLOWS {
            "The control's cycles follow the parabola of a thermostat with a fixed band"
        } else {
            "The control's cycles do not follow the parabola of a thermostat with a fixed band"
        };
        let check = if fit.off_by <= FOLLOWS {
            "To cycle less often, widen the control's band."
        } else {
            "Look for what else switches: a timer, a second control, a door, a loose contact, a pressure switch."
        };
        Some(Finding {
            kind: FindingKind::Parabola,
            sentence: format!(
                "{how}: on for {:.0} % of the time with {:.1} starts an hour over {} cycles, at most {:.1} an hour at half \
                 load; single cycles lie off by {:.0} %.",
                100.0 * fit.on_share,
                fit.per_hour,
                fit.cycles,
                fit.peak_per_hour,
                100.0 * fit.off_by
            ),
            check: check.to_owned(),
            values: vec![
                ("on_share", fit.on_share),
                ("starts_per_hour", fit.per_hour),
                ("peak_per_hour", fit.peak_per_hour),
                ("off_by", fit.off_by),
            ],
            rows: Vec::new(),
            chance: None,
        })
    }
}

fn busiest(rolling: Rolling, cycling: &Cycling, evidence: &Evidence<'_>) -> Finding {
    let sentence = if rolling.most > rolling.least {
        format!(
            "The busiest hour had between {} and {} starts: {} were seen in the hour from {}, and {:.0} % of the record was \
             not observed.",
            rolling.least,
            rolling.most,
            rolling.seen,
            evidence.words(rolling.from),
            100.0 * (1.0 - cycling.observed)
        )
    } else {
        format!(
            "The busiest hour had {} {}, from {} on.",
            rolling.seen,
            starts(rolling.seen as usize),
            evidence.words(rolling.from)
        )
    };
    Finding {
        kind: FindingKind::BusiestHour,
        sentence,
        check: String::new(),
        values: vec![
            ("seen", f64::from(rolling.seen)),
            ("least", f64::from(rolling.least)),
            ("most", f64::from(rolling.most)),
        ],
        rows: vec![rolling.from],
        chance: None,
    }
}

const fn starts(count: usize) -> &'static str {
    if count == 1 { "start" } else { "starts" }
}

fn term_findings(term: &Term, evidence: &Evidence<'_>) -> Vec<Finding> {
    let mut said = Vec::new();
    for judged in &term.judged {
        if judged.violations.is_empty() {
            continue;
        }
        let at: Vec<String> = judged
            .violations
            .iter()
            .take(NAMED)
            .map(|v| match term.kind {
                TermKind::StartsPerHour => {
                    format!(
                        "{:.0} in the hour from {}",
                        v.value,
                        evidence.words(v.first_at)
                    )
                }
                _ => format!("{:.0} s from {}", v.value, evidence.words(v.first_at)),
            })
            .collect();
        let more = judged.violations.len().saturating_sub(NAMED);
        let more = if more > 0 {
            format!(", and {more} more")
        } else {
            String::new()
        };
        let open = if judged.open > 0 {
            format!(" Gaps could hide more: {} cannot be judged.", judged.open)
        } else {
            String::new()
        };
        let (kind, check) = kind_and_check(term.kind, judged.whose);
        said.push(Finding {
            kind,
            sentence: format!(
                "{}: {} of {} ({}{more}).{open}",
                what(term, judged.whose),
                judged.violations.len(),
                judged.pairs,
                at.join("; "),
            ),
            check: check.to_owned(),
            values: vec![
                ("limit", term.limit),
                ("pairs", judged.pairs as f64),
                ("violations", judged.violations.len() as f64),
                ("open", judged.open as f64),
            ],
            rows: judged.violations.iter().map(|v| v.first_at).collect(),
            chance: None,
        });
    }
    said
}

fn what(term: &Term, whose: Whose) -> String {
    let from = term
        .citation
        .as_deref()
        .map_or(String::new(), |text| format!(" ({text})"));
    let after = match whose {
        Whose::All => "",
        Whose::Control => " by the control",
        Whose::Protector => " by the protector",
        Whose::Supply => " by the supply",
        Whose::Unknown => ", by what is not known",
    };
    match (term.kind, whose) {
        (TermKind::StartsPerHour, Whose::All) => {
            format!(
                "More than {} starts an hour{from}, all starts counted",
                term.limit
            )
        }
        (TermKind::StartsPerHour, _) => format!(
            "More than {} starts an hour{from}, without those after the protector opened",
            term.limit
        ),
        (TermKind::LeastOff, _) => format!("Off for less than {:.0} s{from}{after}", term.limit),
        (TermKind::LeastRun, _) => {
            format!("On for less than {:.0} s{from}, ended{after}", term.limit)
        }
        (TermKind::Equalised, _) => format!(
            "Off for less than {EQUALISED_S:.0} s{after}, in which pressures may not equalise (common practice)"
        ),
    }
}

const fn kind_and_check(kind: TermKind, whose: Whose) -> (FindingKind, &'static str) {
    let check = match (kind, whose) {
        (_, Whose::Protector) => "The protector's own cooling makes these: find out why it opens.",
        (_, Whose::Supply) => {
            "Look at the supply and at what restarts the compressor after it fails."
        }
        (TermKind::LeastRun, _) => {
            "Check the control's band, a pressure switch, the door, the charge."
        }
        _ => "Check the control's band and its delay, and whether its contact is loose.",
    };
    let kind = match kind {
        TermKind::Equalised => FindingKind::NotEqualised,
        _ => FindingKind::TermBroken,
    };
    (kind, check)
}
