//! Temperatures within sentences, put into another scale.
//!
//! Sentences of the heart and texts of the record speak in °C and, of differences, in K. For who reads °F each figure before such a
//! unit is converted, with as many decimals as it had: `55.1 °C`, `51 to 59 °C`, `118 ± 3 °C`, `5 K below`.

/// A text with its temperatures in °F.
pub fn in_fahrenheit(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((at, unit)) = next_unit(rest) {
        let (before, after) = rest.split_at(at);
        out.push_str(&figures_converted(before, unit == CELSIUS));
        out.push_str(" °F");
        rest = after.get(unit.len()..).unwrap_or_default();
    }
    out.push_str(rest);
    out
}

const CELSIUS: &str = " °C";
const KELVIN: &str = " K";

/// Where the next unit of temperature stands, and which it is.
fn next_unit(text: &str) -> Option<(usize, &'static str)> {
    let celsius = text.find(CELSIUS).map(|at| (at, CELSIUS));
    let kelvin = text
        .match_indices(KELVIN)
        .find(|(at, _)| {
            let after = text
                .get(at + KELVIN.len()..)
                .and_then(|rest| rest.chars().next());
            let before = text.get(..*at).and_then(|text| text.chars().next_back());
            before.is_some_and(|c| c.is_ascii_digit())
                && after.is_none_or(|c| !c.is_alphanumeric() && c != '/')
        })
        .map(|(at, _)| (at, KELVIN));
    [celsius, kelvin].into_iter().flatten().min()
}

/// `text` ends in a figure, or in two with ` to ` or ` ± ` between them: both converted.
fn figures_converted(text: &str, is_level: bool) -> String {
    let (head, last) = split_figure(text);
    let Some(last) = last else {
        return text.to_owned();
    };
    for (between, second_is_level) in [(" to ", is_level), (" ± ", false)] {
        if let Some(earlier) = head.strip_suffix(between)
            && let (head, Some(first)) = split_figure(earlier)
        {
            let (first, last) = (converted(first, is_level), converted(last, second_is_level));
            return format!("{head}{first}{between}{last}");
        }
    }
    let is_spread = head.ends_with("± ");
    format!("{head}{}", converted(last, is_level && !is_spread))
}

/// Parts a text from the figure at its end.
fn split_figure(text: &str) -> (&str, Option<&str>) {
    let is_part = |c: char| c.is_ascii_digit() || c == '.';
    let digits = text.trim_end_matches(is_part);
    let start = digits.len() - usize::from(digits.ends_with('-'));
    let (head, figure) = text.split_at(start);
    let is_figure = figure.parse::<f64>().is_ok();
    if is_figure {
        (head, Some(figure))
    } else {
        (text, None)
    }
}

fn converted(figure: &str, is_level: bool) -> String {
    let decimals = figure
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.len());
    let value = figure.parse::<f64>().unwrap_or(f64::NAN) * 1.8;
    let shown = format!("{:.decimals$}", if is_level { value + 32.0 } else { value });
    // Nought has no sign.
    let is_nought = shown.parse() == Ok(0.0);
    shown
        .trim_start_matches(|c| is_nought && c == '-')
        .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_figure_before_a_unit_of_temperature_is_converted_and_nothing_else() {
        let cases = include_str!("../../../fixtures/temperatures.tsv");
        let pairs = cases.lines().filter(|line| !line.starts_with('#'));
        let pairs: Vec<_> = pairs.filter_map(|line| line.split_once('\t')).collect();
        assert_eq!(pairs.len(), 9);
        for (text, expected) in pairs {
            assert_eq!(in_fahrenheit(text), expected);
        }
    }
}
