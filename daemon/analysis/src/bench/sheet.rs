//! What is told of a bench test, in blocks: terminal, page and report draw the same sentences, each in its own way.

use serde::Serialize;

/// Widest line of prose in text, characters.
const COLUMNS: usize = 96;
/// Columns of the table of runs.
pub const RUN_COLUMNS: usize = 12;

/// Blocks in order.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[serde(transparent)]
pub struct Sheet {
    /// The blocks.
    pub blocks: Vec<Block>,
}

/// One block.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Block {
    /// A heading.
    Head {
        /// The text.
        text: String,
    },
    /// A paragraph.
    Line {
        /// The text.
        text: String,
        /// So many steps beneath the paragraph before.
        depth: usize,
        /// The verdict that is in it.
        verdict: Option<&'static str>,
    },
    /// The runs of current.
    Runs {
        /// The columns' heads.
        heads: Box<[String; RUN_COLUMNS]>,
        /// The runs.
        rows: Vec<RunRow>,
    },
    /// Two protectors, constant by constant.
    Pairs {
        /// The columns' heads.
        heads: PairRow,
        /// The constants.
        rows: Vec<PairRow>,
    },
    /// How soon it opens at which current, for whoever can draw; the lines beneath say it in words.
    Curve(Box<Drawn>),
}

/// What a drawing of a curve shows; both axes logarithmic.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Drawn {
    /// What it is, in words.
    pub told: String,
    /// The fitted curve from cold: A, s, and the lower and the upper end of its 95 % band, s.
    pub curve: Vec<[f64; 4]>,
    /// What was measured.
    pub measured: Vec<Mark>,
    /// Largest current that never opens it: A, with its 95 % interval.
    pub ultimate_a: Option<[f64; 3]>,
    /// Currents to be marked beside it.
    pub references: Vec<Mark>,
}

/// Something marked in a drawing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mark {
    /// A.
    pub amps: f64,
    /// s; `None` for a current alone.
    pub s: Option<f64>,
    /// What it is: `cold`, `warm`, or a few words.
    pub what: String,
}

/// What is compared, the first, the second, and how far they are apart.
pub type PairRow = [String; 4];

/// A run of current in a table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunRow {
    /// One a column.
    pub cells: [String; RUN_COLUMNS],
    /// What is said beneath it.
    pub beneath: Option<String>,
}

impl Sheet {
    pub(super) fn head(&mut self, text: &str) {
        let text = text.to_owned();
        self.blocks.push(Block::Head { text });
    }

    pub(super) fn line(&mut self, text: &str) {
        self.beneath(0, text);
    }

    pub(super) fn beneath(&mut self, depth: usize, text: &str) {
        self.blocks.push(Block::Line {
            text: text.to_owned(),
            depth,
            verdict: None,
        });
    }

    pub(super) fn verdict(&mut self, verdict: &'static str, text: &str) {
        self.blocks.push(Block::Line {
            text: text.to_owned(),
            depth: 0,
            verdict: Some(verdict),
        });
    }

    /// As text for a terminal, broken between words.
    pub fn text(&self) -> String {
        let mut out = String::new();
        for block in &self.blocks {
            match block {
                Block::Head { text } => out.push_str(&format!("\n{text}\n")),
                Block::Line { text, depth, .. } => broken(&mut out, text, 2 * depth),
                Block::Curve(_) => {}
                Block::Pairs { heads, rows } => {
                    let all = std::iter::once(heads).chain(rows);
                    all.for_each(|row| out.push_str(&pair(row)));
                }
                Block::Runs { heads, rows } => {
                    out.push_str(&columns(heads));
                    for row in rows {
                        out.push_str(&columns(&row.cells));
                        if let Some(beneath) = &row.beneath {
                            out.push_str(&format!("            {beneath}\n"));
                        }
                    }
                }
            }
        }
        out.trim_end().to_owned()
    }
}

fn broken(out: &mut String, text: &str, indent: usize) {
    out.push_str(&" ".repeat(indent));
    let mut length = 0;
    for word in text.split_whitespace() {
        let chars = word.chars().count();
        if length > 0 && indent + length + 1 + chars > COLUMNS {
            out.push_str(&format!("\n{}", " ".repeat(indent + 2)));
            length = 2;
        } else if length > 0 {
            out.push(' ');
            length += 1;
        }
        out.push_str(word);
        length += chars;
    }
    out.push('\n');
}

fn columns(cells: &[String; RUN_COLUMNS]) -> String {
    let [
        number,
        from,
        on,
        start,
        end,
        rms,
        i2t,
        trip,
        most,
        reset,
        closed,
        ended,
    ] = cells;
    format!(
        "{number:>3}  {from:<5} {on:>8}{start:>9}{end:>8}{rms:>8}{i2t:>9}{trip:>9}{most:>9}{reset:>9}{closed:>9}  {ended}\n"
    )
}

fn pair([what, first, second, apart]: &PairRow) -> String {
    format!("{what:<22}{first:>16}{second:>16}  {apart}\n")
}
