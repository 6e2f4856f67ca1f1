//! Names and places, and how a message repeats what a job file says.

use toml::de::DeValue;

/// Longest piece of a wrong value that a message repeats, characters.
const SHOWN_CHARS_MAX: usize = 40;
/// Longest place in the board protocol, characters.
const PLACE_CHARS_MAX: usize = 16;
/// Places that are columns of the table `samples` and that no board may declare.
const RESERVED_PLACES: [&str; 7] = [
    "time", "arrival", "boot", "seq", "board-ms", "board", "date",
];
/// Ends of column names likewise.
const RESERVED_ENDS: [&str; 2] = ["-raw", "-fault"];

/// A wrong value in a few words.
pub(super) fn described(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("{:?} is a text", shown(text)),
        DeValue::Integer(whole) => shown(&whole.to_string()),
        DeValue::Float(float) => shown(float.as_str()),
        DeValue::Boolean(yes) => yes.to_string(),
        DeValue::Datetime(_) => "a date or time".to_owned(),
        DeValue::Array(array) => format!("an array of {}", array.len()),
        DeValue::Table(_) => "one table".to_owned(),
    }
}

/// A text without anything that ends a line or commands a terminal: that becomes blanks, so that a message stays one line.
pub(super) fn on_one_line(text: &str) -> String {
    text.chars().map(blank).collect()
}

fn blank(c: char) -> char {
    if is_unfit(c) { ' ' } else { c }
}

/// Control characters, and those that turn the direction of what follows.
pub(super) fn is_unfit(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// The beginning of a text, for a message, on one line.
pub(super) fn shown(text: &str) -> String {
    let mut shown: String = text.chars().take(SHOWN_CHARS_MAX).map(blank).collect();
    if text.chars().count() > SHOWN_CHARS_MAX {
        shown.push_str("...");
    }
    shown
}

/// Whether a text is `[a-z][a-z0-9-]*` and not too long.
pub(super) fn is_name(text: &str, chars_max: usize) -> bool {
    let rest = text.strip_prefix(|first: char| first.is_ascii_lowercase());
    let allowed = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
    rest.is_some_and(|rest| rest.bytes().all(allowed)) && text.len() <= chars_max
}

/// Why no channel of a board can have this place.
pub(super) fn wrong_with_place(place: &str) -> Option<String> {
    if !is_name(place, PLACE_CHARS_MAX) {
        let rule = "a place begins with a letter a-z and has only a-z, 0-9 and -";
        return Some(format!(
            "{:?}; {rule}, at most {PLACE_CHARS_MAX} characters",
            shown(place)
        ));
    }
    let reserved =
        RESERVED_PLACES.contains(&place) || RESERVED_ENDS.iter().any(|end| place.ends_with(end));
    reserved.then(|| {
        let rule = format!(
            "{}, and any that ends in {}",
            RESERVED_PLACES.join(", "),
            RESERVED_ENDS.join(" or ")
        );
        format!("{place:?} is reserved, no channel has it; reserved are {rule}")
    })
}
