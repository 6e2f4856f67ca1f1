//! What a report is before it is drawn: parts, blocks, tables, charts as shapes. Both backends draw this and nothing else.

use crate::drawing::Drawing;
use crate::words::Words;

/// A whole report.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// Its title.
    pub title: String,
    /// At the head of every page but the first of a part.
    pub head: Words,
    /// At the foot of every page, before the page's number.
    pub foot: Words,
    /// Its identity: of the record and of what was asked for.
    pub id: [u8; 16],
    /// Each begins on a page of its own.
    pub parts: Vec<Part>,
}

/// A part of a report.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Part {
    /// Its blocks.
    pub blocks: Vec<Block>,
    /// It belongs on one sheet, and is printed smaller if it would not come out on one.
    pub is_one_sheet: bool,
}

/// A block.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// The title of a part, with a line above it.
    Title {
        /// The line above.
        above: Words,
        /// The title.
        title: Words,
    },
    /// A heading.
    Heading(Words),
    /// A heading below a heading.
    Subheading(Words),
    /// A paragraph.
    Paragraph(Words),
    /// A paragraph in small print.
    Small(Words),
    /// Points.
    List(Vec<Words>),
    /// What the record comes to: the first is printed large.
    Finding(Vec<Words>),
    /// Something a reader must not miss, with its heading.
    Warning(Words, Vec<Words>),
    /// Figures side by side: each with what it is.
    Figures(Vec<(Words, Words)>),
    /// Names and what stands for them, in two columns of pairs.
    Facts(Vec<(Words, Words)>),
    /// Lines for a person to fill in.
    Fields(Vec<Words>),
    /// A table.
    Table(Table),
    /// A chart with what it shows, drawn from high to low: paper takes the highest that its page has room for.
    Chart(Vec<Drawing>, Words),
    /// Blocks that stay on one page if they can.
    Together(Vec<Block>),
    /// Blocks beside other blocks; the left ones have a little more room.
    Beside(Vec<Block>, Vec<Block>),
    /// What follows begins on a new page.
    NewPage,
}

/// Which way a column's text is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Align {
    /// To the left.
    #[default]
    Left,
    /// To the right: figures.
    Right,
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its head.
    pub head: Words,
    /// How it is set.
    pub align: Align,
    /// Its share of the width.
    pub share: f32,
}

impl Column {
    /// A column of text.
    pub fn left(head: impl Into<Words>, share: f32) -> Self {
        Self {
            head: head.into(),
            align: Align::Left,
            share,
        }
    }

    /// A column of figures.
    pub fn right(head: impl Into<Words>, share: f32) -> Self {
        Self {
            align: Align::Right,
            ..Self::left(head, share)
        }
    }
}

/// A row of a table.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Row {
    /// A cell for each column.
    pub cells: Vec<Words>,
    /// Below the cells, over all columns but the first.
    pub note: Option<Words>,
}

/// A table. On paper its head is repeated on each page and no row is broken.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows.
    pub rows: Vec<Row>,
    /// What it shows, for who cannot see it at a glance.
    pub caption: Words,
    /// Set in letters of one width: hashes.
    pub is_mono: bool,
    /// What paper shows of it, if not all.
    pub excerpt: Option<Excerpt>,
}

/// What paper shows of a table that is too long for it. On a screen the other rows are folded away, and there.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Excerpt {
    /// So many rows from its beginning.
    pub rows: usize,
    /// How many are not printed, in words.
    pub more: Words,
    /// Where those are.
    pub place: Words,
}

impl Document {
    /// All words of the document, whatever they stand in, with the labels of its charts.
    pub fn each_words(&self, mut each: impl FnMut(&Words)) {
        each(&self.head);
        each(&self.foot);
        for part in &self.parts {
            part.blocks
                .iter()
                .for_each(|block| block.each_words(&mut each));
        }
    }
}

impl Block {
    fn each_words(&self, each: &mut dyn FnMut(&Words)) {
        match self {
            Self::Title { above, title } => [above, title].into_iter().for_each(each),
            Self::Heading(words)
            | Self::Subheading(words)
            | Self::Paragraph(words)
            | Self::Small(words) => each(words),
            Self::List(all) | Self::Finding(all) | Self::Fields(all) => all.iter().for_each(each),
            Self::Warning(head, all) => std::iter::once(head).chain(all).for_each(each),
            Self::Figures(pairs) | Self::Facts(pairs) => {
                for (name, value) in pairs {
                    each(name);
                    each(value);
                }
            }
            Self::Table(table) => table.each_words(each),
            Self::Chart(drawings, caption) => {
                let labels = drawings.iter().flat_map(Drawing::labels);
                labels.for_each(&mut *each);
                each(caption);
            }
            Self::Together(blocks) => blocks.iter().for_each(|block| block.each_words(each)),
            Self::Beside(left, right) => {
                let both = left.iter().chain(right);
                both.for_each(|block| block.each_words(each));
            }
            Self::NewPage => {}
        }
    }
}

impl Table {
    /// The rows that are printed, and those that are not.
    pub fn printed(&self) -> (&[Row], &[Row]) {
        let rows = self.excerpt.as_ref().map_or(usize::MAX, |of| of.rows);
        self.rows.split_at(rows.min(self.rows.len()))
    }

    fn each_words(&self, each: &mut dyn FnMut(&Words)) {
        each(&self.caption);
        if let Some(excerpt) = &self.excerpt {
            each(&excerpt.more);
            each(&excerpt.place);
        }
        self.columns.iter().for_each(|column| each(&column.head));
        for row in &self.rows {
            row.cells.iter().chain(&row.note).for_each(&mut *each);
        }
    }
}
