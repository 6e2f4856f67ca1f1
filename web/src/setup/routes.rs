//! The set-up page's addresses.

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use nightclamp_analysis::job::Job;
use serde::{Deserialize, Serialize};
use serde_json::json;
use sha2::{Digest, Sha256};

use super::desk::{Desk, JobFile, Trouble};
use super::edit::edit;
use super::form::{Degrees, Form};
use super::prefill::{Prefill, Problem as FormProblem, prefill, read};
use crate::change::Told;
use crate::problem::Problem;
use crate::serve::Site;

/// Longest name of a port, bytes.
const PORT_BYTES_MAX: usize = 200;

/// `GET /api/v1/setup`: what the form begins with.
#[derive(Serialize)]
struct Present {
    /// Where the job file is or will be.
    path: String,
    /// SHA-256 of its text; `null` if there is none yet.
    based_on: Option<String>,
    /// Whether it is being recorded by now.
    is_recording: bool,
    /// Whether it is the plan of a bench test.
    is_bench: bool,
    /// In what the form's temperatures are.
    degrees: Degrees,
    /// The fields.
    form: Prefill,
    /// What is wrong with it as it stands.
    problems: Vec<FormProblem>,
    /// The time zones there are.
    timezones: Vec<&'static str>,
}

/// `GET /api/v1/setup?degrees=celsius|fahrenheit`
pub async fn present(State(site): State<Site>, uri: Uri) -> Result<Response, Problem> {
    let desk = desk(&site)?;
    let file = desk.job_file().await?;
    let text = file.text.as_deref().unwrap_or_default();
    let job = read(text);
    let degrees = match uri.query() {
        None | Some("") => job
            .as_ref()
            .map_or(Degrees::Celsius, |job| job.temperature.into()),
        Some("degrees=celsius") => Degrees::Celsius,
        Some("degrees=fahrenheit") => Degrees::Fahrenheit,
        Some(_) => {
            return Err(Problem::bad_query(
                "the query may hold degrees=celsius or degrees=fahrenheit",
            ));
        }
    };
    let problems = if file.text.is_some() {
        job.err().unwrap_or_default()
    } else {
        Vec::new()
    };
    Ok(Json(Present {
        path: file.path.display().to_string(),
        based_on: file.text.as_deref().map(sha256_of),
        is_recording: desk.is_recording(),
        is_bench: desk.plans_bench(),
        degrees,
        form: prefill(text, degrees),
        problems,
        timezones: chrono_tz::TZ_VARIANTS
            .iter()
            .map(|zone| zone.name())
            .collect(),
    })
    .into_response())
}

/// `GET /api/v1/setup/ports`
pub async fn ports(State(site): State<Site>) -> Result<Response, Problem> {
    let ports = desk(&site)?.ports().await?;
    Ok(Json(json!({ "ports": ports })).into_response())
}

/// The body of `POST /api/v1/setup/listen`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Listen {
    port: String,
}

/// `POST /api/v1/setup/listen`: opens a port, if it is not recorded, and says what has been heard on it so far. It is closed
/// again when nobody has asked for a while. Only a port that is there now can be named.
pub async fn listen(
    State(site): State<Site>,
    Told(told): Told<Listen>,
) -> Result<Response, Problem> {
    let desk = desk(&site)?;
    if told.port.is_empty() || told.port.len() > PORT_BYTES_MAX {
        return Err(Problem::unfit(format!(
            "port: a name of 1 to {PORT_BYTES_MAX} bytes is needed"
        )));
    }
    Ok(Json(desk.listen(told.port).await?).into_response())
}

/// `POST /api/v1/setup/check`: what the job file would be, and what is wrong with it. Nothing is written.
pub async fn check(State(site): State<Site>, Told(form): Told<Form>) -> Result<Response, Problem> {
    let (text, job) = typed(desk(&site)?, form).await?;
    let problems = job.err().unwrap_or_default();
    Ok(Json(json!({ "text": text, "problems": problems })).into_response())
}

/// `POST /api/v1/setup/look-over`: the site as it is now, under what is typed.
pub async fn look_over(
    State(site): State<Site>,
    Told(form): Told<Form>,
) -> Result<Response, Problem> {
    let desk = desk(&site)?;
    match typed(desk, form).await? {
        (_, Ok(job)) => {
            let findings = desk.look_over(job).await?;
            Ok(Json(json!({ "findings": findings, "problems": [] })).into_response())
        }
        (_, Err(problems)) => Ok(with_problems(&problems)),
    }
}

/// `POST /api/v1/setup/save`: writes the job file, and has it recorded by.
pub async fn save(State(site): State<Site>, Told(form): Told<Form>) -> Result<Response, Problem> {
    let desk = desk(&site)?;
    let based_on = form.based_on.clone();
    match typed(desk, form).await? {
        (text, Ok(job)) => {
            desk.save(text, job, based_on).await?;
            Ok((StatusCode::ACCEPTED, Json(json!({ "problems": [] }))).into_response())
        }
        (_, Err(problems)) => Ok(with_problems(&problems)),
    }
}

/// The body of `POST /api/v1/setup/zero`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Zero {
    board: String,
    channel: u8,
}

/// `POST /api/v1/setup/zero`: the board takes the present reading of a current channel as its zero.
pub async fn zero(State(site): State<Site>, Told(told): Told<Zero>) -> Result<Response, Problem> {
    let board = told
        .board
        .parse()
        .map_err(|_| Problem::unfit("board: a board id of 8 digits 0-9 a-f is needed"))?;
    desk(&site)?.zero(board, told.channel).await?;
    Ok(Json(json!({ "board": told.board, "channel": told.channel })).into_response())
}

fn desk(site: &Site) -> Result<&dyn Desk, Problem> {
    site.desk().ok_or_else(|| {
        Problem::new(
            StatusCode::FORBIDDEN,
            "nothing can be set up by this page: the recorder was not started with --setup",
        )
    })
}

/// What the job file becomes with what was typed, and what it then says.
#[allow(clippy::type_complexity)] // a job file's text, and the job or its problems
async fn typed(
    desk: &dyn Desk,
    mut form: Form,
) -> Result<(String, Result<Job, Vec<FormProblem>>), Problem> {
    let file: JobFile = desk.job_file().await?;
    if file.text.as_deref().map(sha256_of) != form.based_on {
        return Err(Trouble::Changed.into());
    }
    if desk.plans_bench() {
        // Without a table there would be no plan, and nothing that says what it lacks.
        form.bench.get_or_insert_default();
    }
    let text = edit(file.text.as_deref().unwrap_or_default(), &form).map_err(Problem::unfit)?;
    let job = read(&text);
    Ok((text, job))
}

fn with_problems(problems: &[FormProblem]) -> Response {
    (
        StatusCode::UNPROCESSABLE_ENTITY,
        Json(json!({ "problems": problems })),
    )
        .into_response()
}

/// By what a form names the job file it was made from: SHA-256, hexadecimal.
pub fn sha256_of(text: &str) -> String {
    Sha256::digest(text.as_bytes())
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

impl From<Trouble> for Problem {
    fn from(trouble: Trouble) -> Self {
        let status = match trouble {
            Trouble::NotNow(_) => StatusCode::CONFLICT,
            Trouble::Changed => StatusCode::PRECONDITION_FAILED,
            Trouble::Failed(_) => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self::new(status, trouble.to_string())
    }
}
