//! The job file that goes with a scenario.

use crate::scenario::{ProtectorKind, Scenario, Source, UnitSpec};
use std::fmt::Write;

/// Job file for a replay: no port.
pub fn job_toml(s: &Scenario) -> String {
    job_toml_on(s, None)
}

/// Job file, with the serial port on which the board is.
pub fn job_toml_on(s: &Scenario, port: Option<&str>) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let written = write_job(s, port, &mut out);
    debug_assert!(written.is_ok());
    out
}

fn write_job(s: &Scenario, port: Option<&str>, out: &mut String) -> std::fmt::Result {
    let job = &s.job;
    writeln!(
        out,
        "[job]\nname = {}\nsite = {}",
        quoted(&job.title),
        quoted(&job.site)
    )?;
    writeln!(
        out,
        "timezone = {}\nclock_s = 2\n\n[[board]]\nid = \"{:08x}\"",
        quoted(&job.timezone),
        s.board.id
    )?;
    if let Some(port) = port {
        writeln!(out, "port = {}", quoted(port))?;
    }
    for (index, unit) in s.units.iter().enumerate() {
        write_unit(s, index, unit, out)?;
    }
    Ok(())
}

fn write_unit(s: &Scenario, index: usize, unit: &UnitSpec, out: &mut String) -> std::fmt::Result {
    writeln!(
        out,
        "\n[[unit]]\nname = {}\nboard = \"{:08x}\"",
        quoted(&unit.name),
        s.board.id
    )?;
    if s.job.nameplate {
        writeln!(
            out,
            "rated_load_a = {:?}\nlocked_rotor_a = {:?}",
            unit.motor.rated_a, unit.motor.locked_a
        )?;
    }
    let clamp_on = if unit.appliance.is_some() {
        "appliance"
    } else {
        "common"
    };
    writeln!(
        out,
        "clamp_on = \"{clamp_on}\"\nclamp_turns = {}\n[unit.channels]",
        unit.clamp_turns
    )?;
    for channel in &s.channels {
        if let Some(role) = role(channel.source, index) {
            writeln!(out, "{role} = {}", quoted(&channel.place))?;
        }
    }
    if s.job.protector {
        let p = &unit.protector;
        writeln!(out, "[unit.protector]\nkind = \"{}\"", kind(p.kind))?;
        writeln!(
            out,
            "opens_c = {:?}\nopens_tol_c = 5.0\ncloses_c = {:?}\ncloses_tol_c = 9.0",
            p.opens_c, p.closes_c
        )?;
        writeln!(out, "longest_trip_s = 60")?;
        if let Some(factor) = s.job.heating {
            writeln!(
                out,
                "heating_c_per_a2 = {:?}\nheating_tau_s = {:?}",
                p.heating_k_per_a2 * factor,
                p.disc_s + p.heater_s
            )?;
        }
    }
    if s.job.limits {
        write_terms(out)?;
    }
    Ok(())
}

/// Terms of a warranty that nobody ever gave, in its own words, and what the invented sensors are sure to.
fn write_terms(out: &mut String) -> std::fmt::Result {
    const SHEET: &str = "Warranty sheet of the proofing-room freezer (invented)";
    writeln!(out, "[unit.limits]")?;
    for (key, value, clause) in [
        (
            "starts_per_hour",
            6,
            "2.1: No more than six starts in any hour.",
        ),
        (
            "min_off",
            180,
            "2.2: Once off, off for three minutes at least.",
        ),
        ("min_run", 120, "2.3: Once on, on for two minutes at least."),
    ] {
        let unit = if key.starts_with("min") { "_s" } else { "" };
        writeln!(out, "{key}{unit} = {value}")?;
        writeln!(
            out,
            "{key}_from = {}",
            quoted(&format!("{SHEET}, {clause}"))
        )?;
    }
    writeln!(
        out,
        "[unit.sensors]\nclamp_percent = 2.0\nclamp_a = 0.05\nbead_k = 2.0"
    )
}

const fn kind(kind: ProtectorKind) -> &'static str {
    match kind {
        ProtectorKind::ExternalStrip => "external-strip",
        ProtectorKind::ExternalRound => "external-round",
        ProtectorKind::Internal => "internal",
    }
}

/// Role of a source for a unit; `None` if it is another unit's or the board's own.
fn role(source: Source, unit: usize) -> Option<&'static str> {
    let (role, of) = match source {
        Source::Line(u) => ("current", u),
        Source::StartLead(u) => ("start_current", u),
        Source::Case(u) => ("case", u),
        Source::Dome(u) => ("dome", u),
        Source::Cabinet(u) => ("box", u),
        Source::Demand(u) => ("demand", u),
        Source::Supply => ("supply", unit),
        Source::Ambient => ("ambient", unit),
        Source::ColdJunction => return None,
    };
    (of == unit).then_some(role)
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => out.extend(format!("\\u{:04x}", u32::from(c)).chars()),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
