//! What each channel means to a unit, and in which column of its board's table it stands.

use nightclamp_analysis::job::Unit;
use nightclamp_analysis::overview::Line;
use nightclamp_protocol::Table;

/// The roles a unit has a channel for, with the place of each on the board, the current first; and the disc, which has no
/// place, where the job gives the constants of the model.
pub fn of(unit: &Unit) -> Vec<(Line, Option<String>)> {
    let channels = &unit.channels;
    let optional = [
        (Line::Case, &channels.case),
        (Line::Ambient, &channels.ambient),
        (Line::Dome, &channels.dome),
        (Line::Box, &channels.cooled_space),
        (Line::Supply, &channels.supply),
        (Line::Demand, &channels.demand),
        (Line::Start, &channels.start_current),
    ];
    let given = optional
        .into_iter()
        .filter(|(_, place)| place.is_some())
        .map(|(role, place)| (role, place.clone()));
    let protector = &unit.protector;
    let has_model = channels.case.is_some()
        && protector.heating_c_per_a2.is_some()
        && protector.heating_tau_s.is_some();
    std::iter::once((Line::Current, Some(channels.current.clone())))
        .chain(given)
        .chain(has_model.then_some((Line::Disc, None)))
        .collect()
}

/// For each role the column of `table` that holds it; `None` where the board has no such place.
pub fn columns(roles: &[(Line, Option<String>)], table: &Table) -> Vec<Option<usize>> {
    let channels = table.channels();
    let column = |place: &str| channels.iter().position(|channel| channel.place() == place);
    roles
        .iter()
        .map(|(_, place)| column(place.as_deref()?))
        .collect()
}
