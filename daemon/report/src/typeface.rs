//! Typefaces: which glyph stands for a character, how wide it is, where lines break.
//!
//! Noto Sans for words, DejaVu Sans Mono for hashes, DejaVu Sans for what those do not have; each comes inside a crate. A character
//! that none of them has is spelt out as `[U+XXXX]`, so that no letter of a name from outside is lost without a trace. Scripts that
//! join or reorder their letters are set letter by letter.

use ttf_parser::GlyphId;

use crate::words::{Run, Words};

/// A space at which no line ends: between a figure and its unit.
const NO_BREAK: char = '\u{a0}';

/// A typeface.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Face {
    /// Words.
    Regular,
    /// Headings, and what is stressed.
    Bold,
    /// Hashes.
    Mono,
    /// What the others do not have.
    Other,
}

impl Face {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Regular, Self::Bold, Self::Mono, Self::Other];

    /// Its file.
    pub fn data(self) -> &'static [u8] {
        match self {
            Self::Regular => notosans::REGULAR_TTF,
            Self::Bold => notosans::BOLD_TTF,
            Self::Mono => dejavu::sans_mono::regular(),
            Self::Other => dejavu::sans::regular(),
        }
    }

    /// Its name in a PDF.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Regular => "NotoSans",
            Self::Bold => "NotoSans-Bold",
            Self::Mono => "DejaVuSansMono",
            Self::Other => "DejaVuSans",
        }
    }
}

/// A glyph to be set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Glyph {
    /// Of which typeface.
    pub face: Face,
    /// Its number in it.
    pub id: u16,
    /// What it stands for.
    pub character: char,
    /// Its width at size 1.
    pub advance: f32,
    /// A line may end here.
    pub is_break: bool,
}

/// A line of glyphs.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Line {
    /// The glyphs in order.
    pub glyphs: Vec<Glyph>,
    /// Its width at size 1.
    pub width: f32,
}

/// The typefaces, opened.
pub struct Typefaces {
    faces: [ttf_parser::Face<'static>; 4],
}

impl Typefaces {
    /// Opens them.
    ///
    /// # Errors
    /// One of the files in the program is none.
    pub fn open() -> Result<Self, String> {
        let open = |face: Face| {
            ttf_parser::Face::parse(face.data(), 0)
                .map_err(|error| format!("{}: {error}", face.name()))
        };
        let [regular, bold, mono, other] = Face::ALL.map(open);
        Ok(Self {
            faces: [regular?, bold?, mono?, other?],
        })
    }

    /// A typeface's measures.
    pub const fn parsed(&self, face: Face) -> &ttf_parser::Face<'static> {
        let [regular, bold, mono, other] = &self.faces;
        match face {
            Face::Regular => regular,
            Face::Bold => bold,
            Face::Mono => mono,
            Face::Other => other,
        }
    }

    /// The glyphs of a text.
    pub fn set(&self, text: &str, face: Face) -> Vec<Glyph> {
        let mut glyphs = Vec::with_capacity(text.len());
        for character in text.chars() {
            if character == NO_BREAK {
                let space = self.glyph(' ', face);
                glyphs.extend(space.map(|glyph| Glyph {
                    is_break: false,
                    ..glyph
                }));
                continue;
            }
            let found = [face, Face::Other]
                .into_iter()
                .find_map(|face| self.glyph(character, face));
            match found {
                Some(glyph) => glyphs.push(glyph),
                None => {
                    let spelt = format!("[U+{:04X}]", u32::from(character));
                    glyphs.extend(spelt.chars().filter_map(|c| self.glyph(c, face)));
                }
            }
        }
        glyphs
    }

    fn glyph(&self, character: char, face: Face) -> Option<Glyph> {
        let parsed = self.parsed(face);
        let id = parsed
            .glyph_index(character)
            .filter(|id| *id != GlyphId(0))?;
        let advance = f32::from(parsed.glyph_hor_advance(id)?) / f32::from(parsed.units_per_em());
        Some(Glyph {
            face,
            id: id.0,
            character,
            advance,
            is_break: character == ' ',
        })
    }

    /// A text in one line.
    pub fn line(&self, words: &Words, is_mono: bool, is_bold: bool) -> Line {
        let glyphs = words
            .runs
            .iter()
            .flat_map(|run| self.set(&run.text, face_of(run, is_mono, is_bold)));
        Line::of(glyphs.collect())
    }

    /// A line no wider than `width` at size 1: what is too much of it gives way to an ellipsis.
    pub fn cut(&self, line: Line, width: f32) -> Line {
        if line.width <= width {
            return line;
        }
        let face = line
            .glyphs
            .first()
            .map_or(Face::Regular, |first| first.face);
        let end = self.set("…", face);
        let mut left = width - width_of(&end);
        let mut glyphs = line.glyphs;
        let fits = glyphs.iter().take_while(|glyph| {
            left -= glyph.advance;
            left >= 0.0
        });
        glyphs.truncate(fits.count());
        Line::of([glyphs, end].concat())
    }

    /// A text in lines no wider than `width` at size 1, broken at spaces, and within a word only where it is wider than a line.
    pub fn lines(&self, words: &Words, is_mono: bool, is_bold: bool, width: f32) -> Vec<Line> {
        let glyphs = self.line(words, is_mono, is_bold).glyphs;
        let mut lines = Vec::new();
        let mut line: Vec<Glyph> = Vec::new();
        for word in glyphs.split_inclusive(|glyph| glyph.is_break) {
            let trimmed = word.strip_suffix_space();
            if !line.is_empty() && width_of(&line) + width_of(trimmed) > width {
                lines.push(Line::of(std::mem::take(&mut line)));
            }
            for &glyph in word {
                let is_space = glyph.character == ' ';
                if !line.is_empty() && !is_space && width_of(&line) + glyph.advance > width {
                    lines.push(Line::of(std::mem::take(&mut line)));
                }
                line.push(glyph);
            }
        }
        if !line.is_empty() || lines.is_empty() {
            lines.push(Line::of(line));
        }
        lines
    }
}

fn face_of(run: &Run, is_mono: bool, is_bold: bool) -> Face {
    match (is_mono, run.is_bold || is_bold) {
        (true, _) => Face::Mono,
        (false, true) => Face::Bold,
        (false, false) => Face::Regular,
    }
}

trait StripSpace {
    fn strip_suffix_space(&self) -> &[Glyph];
}

impl StripSpace for [Glyph] {
    fn strip_suffix_space(&self) -> &[Glyph] {
        match self.split_last() {
            Some((last, rest)) if last.character == ' ' => rest,
            _ => self,
        }
    }
}

fn width_of(glyphs: &[Glyph]) -> f32 {
    glyphs.iter().map(|glyph| glyph.advance).sum()
}

impl Line {
    fn of(glyphs: Vec<Glyph>) -> Self {
        let width = width_of(glyphs.strip_suffix_space());
        Self { glyphs, width }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // tests stop where something is wrong
    use super::*;
    use crate::words::Source;

    #[test]
    fn lines_break_at_spaces_and_lose_nothing() {
        let faces = Typefaces::open().unwrap();
        let hash = "0123456789abcdef".repeat(4);
        let text =
            format!("The protector opened at 118.4 °C, θέρμανση, нагрев, ≥ 5 µF; {hash} end");
        let words = Words::figured(text.clone(), Source::Paper);
        for width in [6.0, 12.0, 40.0] {
            let lines = faces.lines(&words, false, false, width);
            assert!(lines.iter().all(|line| line.width <= width + 1e-3));
            let glyphs = lines.iter().flat_map(|line| &line.glyphs);
            let back: String = glyphs.map(|glyph| glyph.character).collect();
            assert_eq!(back, text);
        }
    }

    #[test]
    fn a_line_that_is_too_long_says_that_it_was_cut() {
        let faces = Typefaces::open().unwrap();
        let line = |text: &str| faces.line(&Words::figured(text, Source::Paper), false, false);
        assert_eq!(faces.cut(line("short"), 20.0), line("short"));
        let cut = faces.cut(line(&"W".repeat(200)), 20.0);
        assert!(cut.width <= 20.0 && cut.width > 18.0, "{}", cut.width);
        assert_eq!(cut.glyphs.last().unwrap().character, '…');
    }

    #[test]
    fn a_letter_that_no_typeface_has_is_spelt_out() {
        let faces = Typefaces::open().unwrap();
        let set = faces.set("冷 ok", Face::Regular);
        let back: String = set.iter().map(|glyph| glyph.character).collect();
        assert_eq!(back, "[U+51B7] ok");
    }
}
