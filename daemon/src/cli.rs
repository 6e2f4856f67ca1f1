//! The command line, as parsed.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;

use chrono::{DateTime, Utc};
use clap::{Args, Parser, Subcommand};
use nightclamp_analysis::job::TemperatureScale;
use nightclamp_archive::Retention;
use nightclamp_report::Paper;

/// Port the dashboard is served on unless the call says otherwise.
pub const DASHBOARD_PORT: u16 = 8722;

/// A day, µs.
const DAY_US: i64 = 86_400_000_000;

/// Longest invented night, h: more would take longer to make than anybody waits.
const DEMO_HOURS_MAX: f64 = 240.0;

/// Finds out why a small compressor keeps dropping out on its overload protector.
#[derive(Debug, Parser)]
#[command(name = "nightclamp", version, about, arg_required_else_help = true)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Show the whole chain with no hardware: an invented night, then invented live data
    Demo(DemoArgs),
    /// Record from the boards of a job file until stopped, and serve the dashboard
    Record(RecordArgs),
    /// Make a record directory from recorded raw logs
    Replay(ReplayArgs),
    /// Guide a bench test of a protector, or print what came of one
    Bench(BenchArgs),
    /// Put a record's evidence into a PDF and an HTML file
    Report(ReportArgs),
    /// Check a record or a pack: hashes, signature, time stamp; derive every table again from the raw logs
    Verify(VerifyArgs),
    /// Print a table of a record as CSV
    Table(TableArgs),
    /// Show or set what identifies the customer of a record: one file, left out on request
    Customer(CustomerArgs),
    /// Upload what is sealed of a record to where the records of all sites are
    #[cfg(feature = "push")]
    Push(PushArgs),
    /// Look a site over before you leave it: port, board, sensors, clocks, disk; says what to mend
    Lookover(LookoverArgs),
    /// List the serial ports of this machine
    Ports(PortsArgs),
}

/// `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Record directory to make [default: a new one under the system's directory for temporary files]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Length of the invented night that is already recorded, in hours [default: one whole night]
    #[arg(long, value_name = "N", value_parser = demo_hours)]
    pub hours: Option<f64>,
    /// Seed of everything invented: the same seed gives the same night
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Where to serve the dashboard [default: 127.0.0.1:8722, or the next port that is free]
    #[arg(long, value_name = "127.0.0.1:PORT", value_parser = loopback)]
    pub listen: Option<SocketAddr>,
}

/// `record`.
#[derive(Debug, Args)]
pub struct RecordArgs {
    /// Job file
    #[arg(value_name = "JOB.toml")]
    pub job: PathBuf,
    /// Record directory: made if it is not there, carried on if it is
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Customer file: what identifies a customer, kept beside the record, out of everything that is derived
    #[arg(long, value_name = "CUSTOMER.toml")]
    pub customer: Option<PathBuf>,
    /// Where to serve the dashboard; beyond this machine only with the access token, which is written to DIR/access-token
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = address, default_value_t = default_listen())]
    pub listen: SocketAddr,
    /// Remove sealed raw logs that ended more than N days ago; their rows stay in the tables [default: keep all]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub keep_raw_days: Option<u16>,
    /// Remove the oldest sealed raw logs while all of them take more than this, like 20GB [default: keep all]
    #[arg(long, value_name = "SIZE", value_parser = size)]
    pub keep_raw_bytes: Option<u64>,
    /// Who comes in there
    #[command(flatten)]
    pub door: DoorArgs,
    /// Let the dashboard's page /setup make the job file, change it, and take the clamp's zero; without it no page can
    #[arg(long)]
    pub setup: bool,
    /// A serial port that the set-up page offers beside those the system lists; may be given several times
    #[arg(long, value_name = "PORT", requires = "setup")]
    pub setup_port: Vec<String>,
}

impl RecordArgs {
    /// What is kept of old raw logs.
    pub fn retention(&self) -> Retention {
        Retention {
            keep_us: self.keep_raw_days.map(|days| i64::from(days) * DAY_US),
            keep_bytes: self.keep_raw_bytes,
        }
    }
}

/// Who comes in where a dashboard is served.
#[derive(Debug, Args)]
pub struct DoorArgs {
    /// A name by which others on the network reach this machine; may be given several times
    #[arg(long, value_name = "NAME", value_parser = host_name)]
    pub host: Vec<String>,
    /// Certificate for TLS, PEM, with those that vouch for it
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    pub tls_cert: Option<PathBuf>,
    /// Its private key, PEM
    #[arg(long, value_name = "FILE", requires = "tls_cert")]
    pub tls_key: Option<PathBuf>,
}

/// `replay`.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// Recorded raw logs in the order they were made, or the record directory they lie in
    #[arg(value_name = "RAW", required = true)]
    pub raw: Vec<PathBuf>,
    /// Job file; it overrides any that the record carries
    #[arg(long, value_name = "JOB.toml")]
    pub job: PathBuf,
    /// Record directory to make
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// When a bare board dump began, RFC 3339 (2026-11-25T18:00:00Z)
    #[arg(long, value_name = "TIME", value_parser = rfc3339)]
    pub began: Option<DateTime<Utc>>,
}

/// `bench`.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("what").required(true).args(["plan", "results"]))]
pub struct BenchArgs {
    /// Plan of the test: a job file with a table [bench]; with --setup it may still have to be made
    #[arg(value_name = "PLAN.toml", requires = "out")]
    pub plan: Option<PathBuf>,
    /// Record directory: made if it is not there, carried on if it is
    #[arg(long, value_name = "DIR", requires = "plan")]
    pub out: Option<PathBuf>,
    /// Where to serve the pages, the guided test at /bench; beyond this machine only with the access token, which is written to
    /// DIR/access-token [default: 127.0.0.1:8722, or the next port that is free]
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = address, requires = "plan")]
    pub listen: Option<SocketAddr>,
    /// Who comes in there
    #[command(flatten)]
    pub door: DoorArgs,
    /// Let the page /setup make the plan, and change it as long as nothing has been measured; without it no page can
    #[arg(long, requires = "plan")]
    pub setup: bool,
    /// A serial port that the set-up page offers beside those the system lists; may be given several times
    #[arg(long, value_name = "PORT", requires = "setup")]
    pub setup_port: Vec<String>,
    /// With an invented protector and no hardware, to try it out; your switch is then the words on and off
    #[arg(long, value_name = "PROTECTOR", requires = "plan")]
    pub simulate: Option<Simulated>,
    /// Let the invented bench and its clock go so many times as fast
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = speed, requires = "simulate")]
    pub speed: f64,
    /// Seed of everything invented
    #[arg(long, value_name = "N", default_value_t = 1, requires = "simulate")]
    pub seed: u64,
    /// Print the results of this record of a bench test; it is checked on the way
    #[arg(long, value_name = "DIR", conflicts_with = "plan")]
    pub results: Option<PathBuf>,
    /// Beside what comes of it, on the page too: another bench test, or the constants that the trips of a night on its site tell
    #[arg(long, value_name = "DIR")]
    pub beside: Option<PathBuf>,
    /// The compressor in that night's record to which the protector belongs [default: the only one]
    #[arg(long, value_name = "NAME", requires = "beside")]
    pub beside_unit: Option<String>,
    /// Write the constants that were measured into this job file; all else in it stays as it is
    #[arg(long, value_name = "JOB.toml")]
    pub job_out: Option<PathBuf>,
    /// The compressor in that job file to which the protector belongs [default: the only one]
    #[arg(long, value_name = "NAME", requires = "job_out")]
    pub unit: Option<String>,
}

/// An invented protector.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Simulated {
    /// Does what it is for
    Good,
    /// Opens 15 K too low
    Weak,
    /// Never opens
    Welded,
    /// Opens once and does not close again
    StaysOpen,
}

/// `report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// Record directory
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Report from here on only, RFC 3339 (2026-11-25T18:00:00Z) [default: from the record's beginning]
    #[arg(long, value_name = "TIME", value_parser = rfc3339)]
    pub from: Option<DateTime<Utc>>,
    /// Report up to here only, RFC 3339 [default: to the record's end]
    #[arg(long, value_name = "TIME", value_parser = rfc3339)]
    pub to: Option<DateTime<Utc>>,
    /// Files to write, without .pdf and .html [default: DIR-report, beside the record; with --pack only in the pack]
    #[arg(long, value_name = "FILE-STEM")]
    pub out: Option<PathBuf>,
    /// Size of the paper
    #[arg(long, value_name = "a4|letter", value_parser = paper, default_value = "a4")]
    pub paper: Paper,
    /// How temperatures are shown [default: as the job file says]
    #[arg(long, value_name = "celsius|fahrenheit", value_parser = scale)]
    pub temperature: Option<TemperatureScale>,
    /// The pack, if one is wanted
    #[command(flatten)]
    pub pack: PackArgs,
}

/// `verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Record directory, or a pack, or the folder that it unpacks to
    #[arg(value_name = "DIR|PACK.zip")]
    pub path: PathBuf,
    /// Public keys of whom you know: the pack has to be signed by one of them
    #[arg(long, value_name = "KEY.pub")]
    pub signer: Option<PathBuf>,
    /// Answer to the request for a time stamp [default: PACK.zip.tsr, if it is there, or what is in the pack]
    #[arg(long, value_name = "ANSWER.tsr")]
    pub time_stamp: Option<PathBuf>,
}

/// What `report` packs.
#[derive(Debug, Args)]
pub struct PackArgs {
    /// Pack record and report into one archive that a stranger can check
    #[arg(long, value_name = "OUT.zip")]
    pub pack: Option<PathBuf>,
    /// Leave out of the pack what identifies the customer
    #[arg(long, requires = "pack")]
    pub without_customer: bool,
    /// Sign the pack with this SSH key (ssh-keygen -t ed25519); the key stays where it is
    #[arg(long, value_name = "KEY", requires = "pack")]
    pub sign: Option<PathBuf>,
    /// File with the key's passphrase [default: it is asked for, if the key is encrypted]
    #[arg(long, value_name = "FILE", requires = "sign")]
    pub passphrase_file: Option<PathBuf>,
    /// Write OUT.zip.tsq, a request for a trusted time stamp (RFC 3161), to be sent by somebody with a network
    #[arg(long, requires = "pack")]
    pub time_stamp_request: bool,
    /// Put this answer to such a request of the same pack into the pack; the request is looked for beside it
    #[arg(long, value_name = "ANSWER.tsr", requires = "pack")]
    pub time_stamp: Option<PathBuf>,
}

/// `table`.
#[derive(Debug, Args)]
pub struct TableArgs {
    /// Record directory
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Which table
    #[arg(value_name = "TABLE")]
    pub table: TableOf,
    /// Only the rows of this unit, or of this board
    #[arg(long, value_name = "NAME")]
    pub only: Option<String>,
}

/// A table of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum TableOf {
    /// Every sample of the boards
    Samples,
    /// Starts, stops, trips, resets and what else happened
    Events,
    /// On-periods, each with the off-period after it
    Cycles,
    /// Lowest and highest of each eight seconds of a compressor
    Overview,
}

/// `customer`.
#[derive(Debug, Args)]
pub struct CustomerArgs {
    /// Record directory
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Put this customer file beside the record, in the place of one that is there
    #[arg(long, value_name = "CUSTOMER.toml")]
    pub set: Option<PathBuf>,
}

/// `push`.
#[cfg(feature = "push")]
#[derive(Debug, Args)]
pub struct PushArgs {
    /// Record directory; somebody may be recording into it
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// A directory, file:///DIRECTORY or s3://BUCKET/PREFIX (keys, region and endpoint from the usual AWS_ variables)
    #[arg(value_name = "URL")]
    pub url: String,
}

/// `lookover`.
#[derive(Debug, Args)]
pub struct LookoverArgs {
    /// Job file that is going to be recorded
    #[arg(value_name = "JOB.toml")]
    pub job: PathBuf,
    /// Record directory that is going to be recorded into [default: here]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// How long to listen to each board; the longer, the better its clock's pace is told
    #[arg(long, value_name = "N", default_value_t = 20, value_parser = clap::value_parser!(u64).range(5..=600))]
    pub seconds: u64,
}

/// `ports`.
#[derive(Debug, Args)]
pub struct PortsArgs {
    /// Open this port and ask the board on it who it is; opening resets many boards
    #[arg(long, value_name = "PORT")]
    pub ask: Option<PathBuf>,
}

/// The address the dashboard is served on unless the call says otherwise.
pub const fn default_listen() -> SocketAddr {
    SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), DASHBOARD_PORT)
}

fn address(text: &str) -> Result<SocketAddr, String> {
    text.parse()
        .map_err(|_| "an address and a port are needed, like 127.0.0.1:8722".to_owned())
}

/// A name as in a browser's address line, without a port.
fn host_name(text: &str) -> Result<String, String> {
    let is_part = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '.');
    if (1..=253).contains(&text.len()) && text.chars().all(is_part) {
        return Ok(text.to_owned());
    }
    Err("a name like bench.local is needed, without a port".to_owned())
}

/// A loopback address with a port: what is invented is nobody's business but this machine's.
fn loopback(text: &str) -> Result<SocketAddr, String> {
    let address = address(text)?;
    if address.ip().is_loopback() {
        Ok(address)
    } else {
        Err(format!(
            "{} can be reached from other machines, and the demonstration is for this one; use 127.0.0.1:{}",
            address.ip(),
            address.port()
        ))
    }
}

/// Bytes, or so many of their thousands, millions, ... as is usual for disks.
fn size(text: &str) -> Result<u64, String> {
    const UNITS: [(&str, u64); 5] = [
        ("TB", 1_000_000_000_000),
        ("GB", 1_000_000_000),
        ("MB", 1_000_000),
        ("kB", 1_000),
        ("", 1),
    ];
    let read = |(unit, bytes): (&str, u64)| {
        let number: u64 = text.strip_suffix(unit)?.trim_end().parse().ok()?;
        number.checked_mul(bytes)
    };
    UNITS
        .into_iter()
        .find_map(read)
        .ok_or_else(|| "a size is needed, like 500MB, 20GB or a number of bytes".to_owned())
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(times) if (0.1..=60.0).contains(&times) => Ok(times),
        _ => Err("a number from 0.1 to 60 is needed".to_owned()),
    }
}

fn rfc3339(text: &str) -> Result<DateTime<Utc>, String> {
    DateTime::parse_from_rfc3339(text)
        .map(|time| time.to_utc())
        .map_err(|_| {
            "a time with its offset from UTC is needed, like 2026-11-25T18:00:00Z".to_owned()
        })
}

fn paper(text: &str) -> Result<Paper, String> {
    match text {
        "a4" => Ok(Paper::A4),
        "letter" => Ok(Paper::Letter),
        _ => Err("a4 or letter is needed".to_owned()),
    }
}

fn scale(text: &str) -> Result<TemperatureScale, String> {
    [TemperatureScale::Celsius, TemperatureScale::Fahrenheit]
        .into_iter()
        .find(|scale| scale.as_str() == text)
        .ok_or_else(|| "celsius or fahrenheit is needed".to_owned())
}

fn demo_hours(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(hours) if hours > 0.0 && hours <= DEMO_HOURS_MAX => Ok(hours),
        _ => Err(format!(
            "a number of hours above 0 and not above {DEMO_HOURS_MAX} is needed"
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_on_raw_logs_is_what_was_typed_and_none_without() {
        let retention = |more: &[&str]| {
            let call = ["nightclamp", "record", "job.toml", "--out", "x"];
            match Cli::try_parse_from(call.iter().chain(more)).map(|cli| cli.command) {
                Ok(Command::Record(args)) => Some(args.retention()),
                _ => None,
            }
        };
        let kept = |keep_us, keep_bytes| {
            Some(Retention {
                keep_us,
                keep_bytes,
            })
        };
        assert_eq!(retention(&[]), kept(None, None));
        let week_us = Some(604_800_000_000);
        assert_eq!(retention(&["--keep-raw-days", "7"]), kept(week_us, None));
        for (typed, bytes) in [
            ("20GB", 20_000_000_000),
            ("500 MB", 500_000_000),
            ("1kB", 1_000),
            ("123", 123),
        ] {
            let both = retention(&["--keep-raw-bytes", typed, "--keep-raw-days", "7"]);
            assert_eq!(both, kept(week_us, Some(bytes)), "{typed}");
        }
    }
}
