//! What a person at the bench sees: a panel of fixed height at the top of the terminal with one line that says what to do and a
//! figure in letters large enough to be read from where he stands. What he types and what is said scrolls below it.
//!
//! Only what every terminal of the last forty years does is used: cursor addresses, a scroll region, bold and reversed text.
//! Where there is no terminal, each step is said once, on a line.

use nightclamp_analysis::bench::{Act, Figure, Guidance};
use nightclamp_analysis::job::TemperatureScale;
use nightclamp_web::bench::Stand;

use crate::text::printable;

/// Columns that are used at most, and at least: a narrower terminal cuts rows off.
const COLUMNS: (usize, usize) = (40, 110);
/// Rows of the panel.
pub const ROWS: usize = 14;
/// Rows of a large figure.
const LARGE: usize = 5;

/// Everything that the panel shows.
pub struct Shows<'a> {
    /// Where it stands; `None` before the board has spoken.
    pub stand: Option<&'a Stand>,
    /// Columns that the terminal has.
    pub columns: usize,
    /// How temperatures are shown.
    pub scale: TemperatureScale,
    /// Invented bench.
    pub is_simulated: bool,
}

/// A row with how it stands out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    text: String,
    weight: Weight,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Weight {
    Plain,
    Strong,
    Danger,
}

fn row(weight: Weight, text: impl Into<String>) -> Row {
    Row {
        text: text.into(),
        weight,
    }
}

/// The rows of the panel, [`ROWS`] of them.
pub fn rows(shows: &Shows<'_>) -> Vec<Row> {
    let mut rows = Vec::with_capacity(ROWS);
    let invented = if shows.is_simulated {
        "  SIMULATED"
    } else {
        ""
    };
    let Some(stand) = shows.stand else {
        rows.push(row(Weight::Plain, format!("Bench test{invented}")));
        rows.push(row(Weight::Strong, "Waiting for the board."));
        rows.resize(ROWS, row(Weight::Plain, ""));
        return rows;
    };
    let (now, width) = (&stand.guidance, width_of(shows));
    let step = now.step.as_str();
    rows.push(row(
        Weight::Plain,
        format!(
            "Bench test: opening {} of {}, {step}{invented}",
            now.repeat, now.repeats
        ),
    ));
    let danger = stand.danger();
    rows.extend(lines(
        danger.as_deref().unwrap_or_default(),
        2,
        width,
        |text| {
            let is_shown = danger.is_some();
            row(
                if is_shown {
                    Weight::Danger
                } else {
                    Weight::Plain
                },
                text,
            )
        },
    ));
    rows.extend(lines(&now.line, 2, width, |text| row(Weight::Strong, text)));
    rows.push(row(Weight::Plain, ""));
    rows.extend(figures(&now.figures, shows.scale));
    rows.push(row(Weight::Plain, now.closes().unwrap_or_default()));
    rows.push(row(
        Weight::Plain,
        format!("To type: {}", to_type(now, shows.is_simulated)),
    ));
    rows.push(row(Weight::Plain, "-".repeat(width)));
    rows.truncate(ROWS);
    rows
}

/// Columns that are used of a terminal: one is left at each side.
fn width_of(shows: &Shows<'_>) -> usize {
    shows.columns.saturating_sub(2).clamp(COLUMNS.0, COLUMNS.1)
}

/// A text on so many rows, broken between words.
fn lines(text: &str, rows: usize, width: usize, as_row: impl Fn(String) -> Row) -> Vec<Row> {
    let mut lines = vec![String::new()];
    for word in printable(text).split_whitespace() {
        let last = lines.len() - 1;
        let line = &mut lines[last];
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(word.to_owned());
        } else {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines.resize(rows, String::new());
    lines.into_iter().map(as_row).collect()
}

/// The first figure large, the others beside it.
fn figures(figures: &[Figure], scale: TemperatureScale) -> Vec<Row> {
    let first = figures.first();
    let (value, unit) = first.map_or((String::new(), ""), |f| f.as_shown(scale));
    let large = large(&value);
    let label = first.map_or(String::new(), |f| format!("{unit}  {}", f.label));
    let others = figures.iter().skip(1).map(|f| {
        let (value, unit) = f.as_shown(scale);
        format!("{:<14}{value:>8} {unit}", f.label)
    });
    let mut beside: Vec<String> = std::iter::once(label).chain(others).collect();
    beside.resize(LARGE, String::new());
    let pair = large.into_iter().zip(beside);
    pair.map(|(large, beside)| row(Weight::Strong, format!("{large:<36}  {beside}")))
        .collect()
}

/// The words that mean something now.
pub fn to_type(now: &Guidance, is_simulated: bool) -> String {
    let asked = now.asks.map(|_| "the ohms or OL".to_owned());
    let act = |act: &Act| match act {
        Act::Acknowledged => "your name".to_owned(),
        other => other.as_str().to_owned(),
    };
    let switch = is_simulated.then(|| "on, off".to_owned());
    let words: Vec<String> = asked
        .into_iter()
        .chain(now.acts.iter().map(act))
        .chain(switch)
        .collect();
    words.join(", ")
}

/// The commands that make room for the panel: what scrolls, scrolls below it.
pub fn room() -> String {
    let first = ROWS + 1;
    format!("\x1b[2J\x1b[{first};r\x1b[{first};1H")
}

/// The commands that give the whole terminal back.
pub fn no_room() -> String {
    "\x1b7\x1b[r\x1b8\n".to_owned()
}

/// The commands that draw the panel and leave the cursor where it was.
pub fn drawn(rows: &[Row], rings: bool) -> String {
    let mut out = String::from("\x1b7\x1b[?7l");
    for (at, row) in rows.iter().enumerate() {
        let weight = match row.weight {
            Weight::Plain => "\x1b[0m",
            Weight::Strong => "\x1b[0;1m",
            Weight::Danger => "\x1b[0;1;37;41m",
        };
        out.push_str(&format!("\x1b[{};1H{weight} {}\x1b[K", at + 1, row.text));
    }
    out.push_str("\x1b[0m\x1b[?7h\x1b8");
    if rings {
        out.push('\x07');
    }
    out
}

/// A figure in letters of five rows.
fn large(text: &str) -> [String; LARGE] {
    let mut rows: [String; LARGE] = Default::default();
    for letter in text.chars() {
        let shape = shape(letter);
        for (row, bits) in rows.iter_mut().zip(shape) {
            for bit in (0..5).rev() {
                row.push(if bits >> bit & 1 == 1 { '#' } else { ' ' });
            }
            row.push(' ');
        }
    }
    rows
}

/// A letter's five rows, a bit a column.
const fn shape(letter: char) -> [u8; LARGE] {
    match letter {
        '0' => [0b01110, 0b10001, 0b10001, 0b10001, 0b01110],
        '1' => [0b00100, 0b01100, 0b00100, 0b00100, 0b01110],
        '2' => [0b11110, 0b00001, 0b01110, 0b10000, 0b11111],
        '3' => [0b11110, 0b00001, 0b01110, 0b00001, 0b11110],
        '4' => [0b10010, 0b10010, 0b11111, 0b00010, 0b00010],
        '5' => [0b11111, 0b10000, 0b11110, 0b00001, 0b11110],
        '6' => [0b01110, 0b10000, 0b11110, 0b10001, 0b01110],
        '7' => [0b11111, 0b00001, 0b00010, 0b00100, 0b00100],
        '8' => [0b01110, 0b10001, 0b01110, 0b10001, 0b01110],
        '9' => [0b01110, 0b10001, 0b01111, 0b00001, 0b01110],
        '.' => [0, 0, 0, 0, 0b00100],
        ':' => [0, 0b00100, 0, 0b00100, 0],
        '-' => [0, 0, 0b01110, 0, 0],
        _ => [0; LARGE],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_five_rows_tall_and_reads_as_typed() {
        let rows = large("1.7");
        assert_eq!(rows[0], "  #         ##### ");
        assert_eq!(rows[4], " ###    #     #   ");
    }

    #[test]
    fn the_panel_is_as_tall_before_the_board_has_spoken() {
        let shows = Shows {
            stand: None,
            columns: 80,
            scale: TemperatureScale::Celsius,
            is_simulated: false,
        };
        assert_eq!(rows(&shows).len(), ROWS);
    }
}
