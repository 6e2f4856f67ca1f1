//! What a channel means to a unit, and in which column of its board's table it stands.

use nightclamp_analysis::job::Unit;
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
}

impl Role {
    /// UCUM unit of the values.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Current | Self::Start => "A",
            Self::Case | Self::Ambient | Self::Dome | Self::Box => "Cel",
            Self::Supply => "V",
            Self::Demand => "1",
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

/// The roles a unit has a channel for, with the place of each on the board; the current comes first.
pub fn of(unit: &Unit) -> Vec<(Role, String)> {
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
        .filter_map(|(role, place)| Some((role, place.clone()?)));
    std::iter::once((Role::Current, channels.current.clone()))
        .chain(given)
        .collect()
}

/// For each role the column of `table` that holds it; `None` where the board has no such place.
pub fn columns(roles: &[(Role, String)], table: &Table) -> Vec<Option<usize>> {
    let column = |place: &str| {
        table
            .channels()
            .iter()
            .position(|channel| channel.place() == place)
    };
    roles.iter().map(|(_, place)| column(place)).collect()
}
