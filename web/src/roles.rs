//! What a channel means to a unit, and in which column of its board's table it stands.

use nightclamp_analysis::job::Unit;
use nightclamp_analysis::overview::Line;
use nightclamp_protocol::Table;
use serde::Serialize;

/// What a channel is to the compressor it belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Current in the lead, A.
    Current,
    /// Protector's case, Cel.
    Case,
    /// Ambient air, Cel.
    Ambient,
    /// Compressor's shell, Cel.
    Dome,
    /// Air of the cooled space, Cel.
    Box,
    /// Line voltage, V.
    Supply,
    /// Contact, 1 while power is offered.
    Demand,
    /// Current in the start lead, A.
    Start,
    /// The protector's disc by the model, Cel: no channel, but drawn beside them.
    Disc,
}

impl Role {
    /// UCUM unit of the values.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Current | Self::Start => "A",
            Self::Case | Self::Ambient | Self::Dome | Self::Box | Self::Disc => "Cel",
            Self::Supply => "V",
            Self::Demand => "1",
        }
    }

    /// The line of the overview that holds it.
    pub const fn line(self) -> Line {
        match self {
            Self::Current => Line::Current,
            Self::Case => Line::Case,
            Self::Ambient => Line::Ambient,
            Self::Dome => Line::Dome,
            Self::Box => Line::Box,
            Self::Supply => Line::Supply,
            Self::Demand => Line::Demand,
            Self::Start => Line::Start,
            Self::Disc => Line::Disc,
        }
    }

    /// Decimals worth sending: finer than any sensor resolves.
    pub const fn decimals(self) -> i32 {
        match self {
            Self::Current | Self::Start => 4,
            _ => 2,
        }
    }
}

/// The roles a unit has a channel for, with the place of each on the board, the current first; and the disc, which has no
/// place, where the job gives the constants of the model.
pub fn of(unit: &Unit) -> Vec<(Role, Option<String>)> {
    let channels = &unit.channels;
    let optional = [
        (Role::Case, &channels.case),
        (Role::Ambient, &channels.ambient),
        (Role::Dome, &channels.dome),
        (Role::Box, &channels.cooled_space),
        (Role::Supply, &channels.supply),
        (Role::Demand, &channels.demand),
        (Role::Start, &channels.start_current),
    ];
    let given = optional
        .into_iter()
        .filter(|(_, place)| place.is_some())
        .map(|(role, place)| (role, place.clone()));
    let protector = &unit.protector;
    let has_model = channels.case.is_some()
        && protector.heating_c_per_a2.is_some()
        && protector.heating_tau_s.is_some();
    std::iter::once((Role::Current, Some(channels.current.clone())))
        .chain(given)
        .chain(has_model.then_some((Role::Disc, None)))
        .collect()
}

/// For each role the column of `table` that holds it; `None` where the board has no such place.
pub fn columns(roles: &[(Role, Option<String>)], table: &Table) -> Vec<Option<usize>> {
    let channels = table.channels();
    let column = |place: &str| channels.iter().position(|channel| channel.place() == place);
    roles
        .iter()
        .map(|(_, place)| column(place.as_deref()?))
        .collect()
}
