//! Text from outside, made fit to be shown or written into a note.

/// Longest text taken over from outside, characters.
pub const TEXT_CHARS_MAX: usize = 240;

/// `text` with every control character replaced by a space and cut to [`TEXT_CHARS_MAX`]: it can neither break a line
/// of the log nor command a terminal.
pub fn printable(text: &str) -> String {
    text.chars()
        .take(TEXT_CHARS_MAX)
        .map(|c| if is_unfit(c) { ' ' } else { c })
        .collect()
}

/// A text of several lines of ours, with everything in it that could command a terminal replaced by a space.
pub fn lines_printable(text: &str) -> String {
    let fit = |c: char| if c != '\n' && is_unfit(c) { ' ' } else { c };
    text.chars().map(fit).collect()
}

/// Control characters, and those that turn the direction of what follows.
fn is_unfit(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_outside_breaks_a_line_or_commands_a_terminal() {
        assert_eq!(printable("Uno\n\x1b[2J\u{85}\u{202e}x"), "Uno  [2J  x");
        assert_eq!(lines_printable("Uno\n\x1b[2J\r\u{2028}"), "Uno\n [2J  ");
        assert_eq!(printable(&"é".repeat(1000)).chars().count(), TEXT_CHARS_MAX);
    }
}
