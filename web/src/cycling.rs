//! On- and off-times, starts an hour, and the terms of the job, pair by pair.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use axum::response::{IntoResponse, Response};
use nightclamp_analysis::cycling::{
    BIN_EDGES_S, Cycling, EQUALISED_S, Judged, Rolling, Term, TermKind, Times,
};
use nightclamp_analysis::rows::RecordTime;
use serde::Serialize;
use serde_json::json;

use crate::evidence::Copied;
use crate::live::Live;
use crate::params::Params;
use crate::problem::Problem;
use crate::view::figure;

/// Pairs that break a term and are sent, at most.
const PAIRS_MAX: usize = 200;
/// Clock hours that are sent, at most: the newest.
const HOURS_MAX: usize = 24 * 31;

/// The cycling of a stretch.
#[derive(Serialize)]
struct CyclingView {
    from_us: RecordTime,
    to_us: RecordTime,
    /// Share that was observed, 0..1.
    observed: f64,
    /// Beginnings of the bins of all histograms, s; the last bin has no end.
    bin_edges_s: [f64; BIN_EDGES_S.len()],
    on_times: TimesView,
    off_times: OffTimesView,
    duty: DutyView,
    /// Most starts in any hour: all, and without those after the protector's openings.
    rolling: Option<RollingView>,
    rolling_control: Option<RollingView>,
    /// Starts in the hour that ends at an instant, where it changes.
    curve: CurveView,
    hours: Vec<HourView>,
    terms: Vec<TermView>,
    parabola: Option<ParabolaView>,
}

#[derive(Serialize)]
struct TimesView {
    count: usize,
    /// Quantiles 0, 0.1, 0.5, 0.9 and 1, s.
    quantiles_s: Option<[f64; 5]>,
    bins: [u32; BIN_EDGES_S.len()],
}

#[derive(Serialize)]
struct OffTimesView {
    control: TimesView,
    protector: TimesView,
    supply: TimesView,
    unknown: TimesView,
    /// Not seen whole.
    left_out: usize,
}

#[derive(Serialize)]
struct DutyView {
    on_s: f64,
    off_s: f64,
    unseen_s: f64,
    share: Option<f64>,
    least: Option<f64>,
    most: Option<f64>,
}

#[derive(Serialize)]
struct RollingView {
    seen: u32,
    from_us: RecordTime,
    least: u32,
    most: u32,
}

#[derive(Serialize)]
struct CurveView {
    at_us: Vec<RecordTime>,
    seen: Vec<u32>,
    control: Vec<u32>,
}

#[derive(Serialize)]
struct HourView {
    from_us: RecordTime,
    local: String,
    seen: u32,
    resets: u32,
    least: u32,
    most: u32,
    observed: f64,
}

#[derive(Serialize)]
struct TermView {
    kind: &'static str,
    limit: f64,
    citation: Option<String>,
    /// It stands in no job file: common practice.
    common_practice: bool,
    judged: Vec<JudgedView>,
}

#[derive(Serialize)]
struct JudgedView {
    whose: &'static str,
    pairs: usize,
    open: usize,
    broken: usize,
    /// First and second instant, and what it is.
    violations: Vec<(RecordTime, RecordTime, f64)>,
}

#[derive(Serialize)]
struct ParabolaView {
    cycles: usize,
    peak_per_hour: f64,
    on_share: f64,
    per_hour: f64,
    off_by: f64,
}

impl From<&Times> for TimesView {
    fn from(times: &Times) -> Self {
        let rounded = |s: f64| (s * 10.0).round() / 10.0;
        Self {
            count: times.count,
            quantiles_s: times
                .quantiles_s
                .map(|quantiles_s| quantiles_s.map(rounded)),
            bins: times.bins,
        }
    }
}

impl From<Rolling> for RollingView {
    fn from(rolling: Rolling) -> Self {
        Self {
            seen: rolling.seen,
            from_us: rolling.from,
            least: rolling.least,
            most: rolling.most,
        }
    }
}

impl From<&Judged> for JudgedView {
    fn from(judged: &Judged) -> Self {
        let pairs = judged.violations.iter().take(PAIRS_MAX);
        Self {
            whose: judged.whose.as_str(),
            pairs: judged.pairs,
            open: judged.open,
            broken: judged.violations.len(),
            violations: pairs.map(|v| (v.first_at, v.second_at, v.value)).collect(),
        }
    }
}

impl From<&Term> for TermView {
    fn from(term: &Term) -> Self {
        Self {
            kind: term.kind.as_str(),
            limit: term.limit,
            citation: term.citation.clone(),
            common_practice: term.kind == TermKind::Equalised,
            judged: term.judged.iter().map(JudgedView::from).collect(),
        }
    }
}

/// The terms that a record is judged by: those of the job, and the five minutes of common practice where no term of the job
/// says how long it has to be off.
pub fn terms_of(cycling: &Cycling) -> impl Iterator<Item = &Term> {
    let mut terms = cycling.terms.iter();
    let has_off_term = terms.any(|term| term.kind == TermKind::LeastOff);
    let practice = (!has_off_term).then_some(&cycling.equalised);
    cycling.terms.iter().chain(practice)
}

impl CyclingView {
    fn of(copied: &Copied, points: usize) -> Self {
        let evidence = copied.evidence_asked();
        let cycling = Cycling::of(&evidence);
        let curve = cycling.starts.in_rolling_hour(evidence.span, points);
        let duty = &cycling.duty;
        let hours = cycling.hours.iter();
        let oldest = cycling.hours.len().saturating_sub(HOURS_MAX);
        Self {
            from_us: evidence.span.from,
            to_us: evidence.span.until,
            observed: cycling.observed,
            bin_edges_s: BIN_EDGES_S,
            on_times: TimesView::from(&cycling.on_times),
            off_times: OffTimesView {
                control: TimesView::from(&cycling.off_times.control),
                protector: TimesView::from(&cycling.off_times.protector),
                supply: TimesView::from(&cycling.off_times.supply),
                unknown: TimesView::from(&cycling.off_times.unknown),
                left_out: cycling.off_times.left_out,
            },
            duty: DutyView {
                on_s: duty.on_s,
                off_s: duty.off_s,
                unseen_s: duty.unseen_s,
                share: figure(Some(duty.share), 4),
                least: figure(Some(duty.least), 4),
                most: figure(Some(duty.most), 4),
            },
            rolling: cycling.rolling.map(RollingView::from),
            rolling_control: cycling.rolling_control.map(RollingView::from),
            curve: CurveView {
                at_us: curve.iter().map(|hour| hour.at).collect(),
                seen: curve.iter().map(|hour| hour.seen).collect(),
                control: curve.iter().map(|hour| hour.control).collect(),
            },
            hours: hours
                .skip(oldest)
                .map(|hour| HourView {
                    from_us: hour.from,
                    local: hour.local.clone(),
                    seen: hour.seen,
                    resets: hour.resets,
                    least: hour.least,
                    most: hour.most,
                    observed: hour.observed,
                })
                .collect(),
            terms: terms_of(&cycling).map(TermView::from).collect(),
            parabola: cycling.parabola.map(|fit| ParabolaView {
                cycles: fit.cycles,
                peak_per_hour: fit.peak_per_hour,
                on_share: fit.on_share,
                per_hour: fit.per_hour,
                off_by: fit.off_by,
            }),
        }
    }
}

/// `GET /api/v1/cycling?unit=&from=&to=&points=`: how it cycled in a stretch, and the terms of the job.
pub async fn told(State(live): State<Live>, uri: Uri) -> Result<Response, Problem> {
    let params = Params::from_uri(&uri)?;
    let copied = Copied::of(&live, &params)?;
    let cycling = CyclingView::of(&copied, params.points);
    let answer = json!({ "unit": params.unit, "equalised_s": EQUALISED_S, "cycling": cycling });
    Ok(Json(answer).into_response())
}
