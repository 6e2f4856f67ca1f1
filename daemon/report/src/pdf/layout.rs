//! Blocks to pages: lines, boxes, charts, and where a page ends.

use super::sheet::{Sheet, Used};
use super::table;
use crate::Paper;
use crate::compose::chart::HEIGHTS;
use crate::document::{Block, Document, Part};
use crate::drawing::{Drawing, Ink, Stroke};
use crate::typeface::{Line, Typefaces};
use crate::words::{Source, Words};

/// Margins: left and right, above, below, points.
const SIDE: f32 = 46.0;
const ABOVE: f32 = 50.0;
const BELOW: f32 = 48.0;
/// Size of the text, points.
pub const TEXT: f32 = 9.2;
/// Of small print.
pub const SMALL: f32 = 7.6;
/// A line's height as a multiple of its size.
pub const LEADING: f32 = 1.36;
/// A sheet is printed smaller in steps of this, and in so many at most.
const SHRINK_STEP: f32 = 0.01;
const SHRINK_STEPS: u32 = 36;
/// What stands left of something has this share of the width, with so much between them, points.
const LEFT_SHARE: f32 = 0.56;
const BETWEEN: f32 = 16.0;
/// What a heading takes, and what it wants below it on its page, points.
const HEADING: f32 = 34.0;
const BELOW_HEADING: f32 = 64.0;
/// Below a table, points.
const AFTER_TABLE: f32 = 9.0;
/// A heading that the outline lists.
pub struct Entry {
    /// 0 for a part, 1 for a heading in it.
    pub level: usize,
    /// Its text.
    pub text: String,
    /// The page, from 0.
    pub page: usize,
    /// How far down on it, points.
    pub y: f32,
}

/// Pages, the glyphs they use, and their headings.
pub struct Laid {
    /// The pages.
    pub sheets: Vec<Sheet>,
    /// Their glyphs.
    pub used: Used,
    /// Their headings.
    pub outline: Vec<Entry>,
}

/// Lays a document out.
pub fn lay_out(document: &Document, paper: Paper, faces: &Typefaces) -> Laid {
    let (width, height) = paper.size();
    let mut layout = Layout {
        faces,
        laid: Laid {
            sheets: Vec::new(),
            used: Used::default(),
            outline: Vec::new(),
        },
        width,
        height,
        scale: 1.0,
        x: SIDE,
        column: width - 2.0 * SIDE,
        low: None,
        y: 0.0,
    };
    for part in &document.parts {
        layout.part(part);
    }
    layout.heads_and_feet(document);
    layout.laid
}

/// A document while it is laid out.
pub struct Layout<'a> {
    /// The typefaces.
    pub faces: &'a Typefaces,
    laid: Laid,
    width: f32,
    height: f32,
    /// So much smaller everything is printed; all lengths but `width` and `height` are those before it is.
    scale: f32,
    /// The left edge of the text.
    x: f32,
    /// The width of the text.
    column: f32,
    /// Which of a chart's drawings is taken, counted from the highest; none where the page decides.
    low: Option<usize>,
    /// How far down the page is full, points.
    pub y: f32,
}

impl Layout<'_> {
    fn part(&mut self, part: &Part) {
        let first = self.laid.sheets.len();
        if part.is_one_sheet {
            self.shrink(self.sheet_scale(&part.blocks));
        }
        self.new_page();
        self.blocks(&part.blocks);
        for sheet in self.laid.sheets.iter_mut().skip(first) {
            sheet.end_scale(self.height);
        }
        self.shrink(1.0);
    }

    /// The text is `scale` times as large on paper as it says, its margins stay.
    fn shrink(&mut self, scale: f32) {
        self.scale = scale;
        self.x = SIDE / scale;
        self.column = (self.width - 2.0 * SIDE) / scale;
    }

    /// How small blocks have to be printed to come out on one sheet; as they are if they cannot.
    fn sheet_scale(&self, blocks: &[Block]) -> f32 {
        let fits = |scale: &f32| {
            let mut scratch = self.endless();
            scratch.column = (self.width - 2.0 * SIDE) / scale;
            scratch.blocks(blocks);
            scratch.y - ABOVE <= (self.height - ABOVE - BELOW) / scale
        };
        let steps = (0..=SHRINK_STEPS).map(|n| 1.0 - SHRINK_STEP * n as f32);
        steps.into_iter().find(fits).unwrap_or(1.0)
    }

    fn blocks(&mut self, blocks: &[Block]) {
        for (n, block) in blocks.iter().enumerate() {
            if matches!(block, Block::Heading(_) | Block::Subheading(_)) {
                self.room_for(self.begun_height(blocks.get(n..).unwrap_or_default()));
            }
            match block {
                // What explains a table stands on the page of its end.
                Block::Table(of) => {
                    let below = self.below(blocks.get(n + 1..).unwrap_or_default());
                    table::lay_out(self, of, below);
                    self.y += AFTER_TABLE;
                }
                _ => self.block(block),
            }
        }
    }

    /// What has to stand together at the beginning of some blocks, points: headings with what makes sense below them.
    fn begun_height(&self, blocks: &[Block]) -> f32 {
        match blocks {
            [Block::Heading(_) | Block::Subheading(_), rest @ ..] => {
                HEADING + self.begun_height(rest)
            }
            [next @ (Block::Chart(..) | Block::Together(_)), ..] => self.lowest(next),
            [Block::Table(of), rest @ ..] => table::begun_height(self, of, self.below(rest)),
            [next @ (Block::Paragraph(_) | Block::Small(_)), rest @ ..]
                if rest.first().is_some_and(is_explained) =>
            {
                self.height_of(next, 0) + self.begun_height(rest)
            }
            [_, ..] => BELOW_HEADING,
            [] => 0.0,
        }
    }

    /// How much has to be left below a table for what explains it, points.
    fn below(&self, after: &[Block]) -> f32 {
        match after.first() {
            Some(next @ Block::Small(_)) => self.height_of(next, 0) + AFTER_TABLE,
            _ => 0.0,
        }
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Title { above, title } => self.title(above, title),
            Block::Heading(words) => self.heading(words, 13.0, 1),
            Block::Subheading(words) => self.heading(words, 10.0, 2),
            Block::Paragraph(words) => {
                self.paragraph(words, TEXT, Ink::Black);
                self.y += 4.0;
            }
            Block::Small(words) => {
                self.paragraph(words, SMALL, Ink::Grey);
                self.y += 4.0;
            }
            Block::List(points) => self.list(points),
            Block::Finding(all) => self.finding(all),
            Block::Warning(head, all) => self.warning(head, all),
            Block::Figures(figures) => self.figures(figures),
            Block::Facts(facts) => self.facts(facts),
            Block::Fields(fields) => self.fields(fields),
            Block::Table(of) => {
                table::lay_out(self, of, 0.0);
                self.y += AFTER_TABLE;
            }
            Block::Chart(drawings, caption) => {
                let low = self.low.unwrap_or_else(|| self.fitting(block));
                let drawing = drawings.get(low).or(drawings.last());
                drawing
                    .into_iter()
                    .for_each(|drawing| self.chart(drawing, caption));
            }
            Block::Together(blocks) => {
                let outer = self.low;
                let low = outer.unwrap_or_else(|| self.fitting(block));
                let height = self.height_of(block, low);
                if height < self.page_height() {
                    self.room_for(height);
                }
                self.low = Some(low);
                self.blocks(blocks);
                self.low = outer;
            }
            Block::Beside(left, right) => {
                let mut scratch = self.endless();
                scratch.beside(left, right);
                self.room_for(scratch.y - ABOVE);
                self.beside(left, right);
            }
            Block::NewPage => self.new_page(),
        }
    }

    fn beside(&mut self, left: &[Block], right: &[Block]) {
        let (x, column, top) = (self.x, self.column, self.y);
        let width = column - BETWEEN;
        self.column = LEFT_SHARE * width;
        self.blocks(left);
        let low = self.y;
        self.y = top;
        self.x = x + self.column + BETWEEN;
        self.column = width - self.column;
        self.blocks(right);
        (self.x, self.column, self.y) = (x, column, self.y.max(low));
    }

    /// Paper as wide and without end, to lay something out on and see how high it comes.
    fn endless(&self) -> Self {
        Layout {
            faces: self.faces,
            laid: Laid {
                sheets: vec![Sheet::new(1e6)],
                used: Used::default(),
                outline: Vec::new(),
            },
            width: self.width,
            height: 1e6,
            scale: 1.0,
            x: self.x,
            column: self.column,
            low: self.low,
            y: ABOVE,
        }
    }

    /// How low charts have to be drawn for a block to come out on what is left of the page; as high as they can if none is low
    /// enough, since it then begins a page.
    fn fitting(&self, block: &Block) -> usize {
        let left = self.bottom() - self.y;
        let fits = |low: &usize| self.height_of(block, *low) <= left;
        (0..HEIGHTS).find(fits).unwrap_or(0)
    }

    /// How high a block is at the lowest that its charts are drawn.
    fn lowest(&self, block: &Block) -> f32 {
        self.height_of(block, HEIGHTS.saturating_sub(1))
    }

    /// How high a block is, by laying it out on paper without end.
    fn height_of(&self, block: &Block, low: usize) -> f32 {
        let mut scratch = self.endless();
        scratch.low = Some(low);
        match block {
            Block::Together(blocks) => blocks.iter().for_each(|block| scratch.block(block)),
            other => scratch.block(other),
        }
        scratch.y - ABOVE
    }

    /// Begins a new page.
    pub fn new_page(&mut self) {
        self.laid
            .sheets
            .push(Sheet::scaled(self.height, self.scale));
        self.y = self.above();
    }

    /// Begins a new page if there is no room left for so much; whether it did.
    pub fn room_for(&mut self, height: f32) -> bool {
        let is_full = self.y + height > self.bottom() && self.y > self.above();
        if is_full {
            self.new_page();
        }
        is_full
    }

    /// Where a page ends.
    pub fn bottom(&self) -> f32 {
        (self.height - BELOW) / self.scale
    }

    /// How much there is on a page, points.
    pub fn page_height(&self) -> f32 {
        self.bottom() - self.above()
    }

    /// Where it begins.
    fn above(&self) -> f32 {
        ABOVE / self.scale
    }

    /// The left edge of the text.
    pub const fn left(&self) -> f32 {
        self.x
    }

    /// The width of the text.
    pub const fn text_width(&self) -> f32 {
        self.column
    }

    /// Draws on the page.
    pub fn draw(&mut self, on: impl FnOnce(&mut Sheet, &mut Used)) {
        if let Some(sheet) = self.laid.sheets.last_mut() {
            on(sheet, &mut self.laid.used);
        }
    }

    /// Sets a line of text.
    pub fn set(&mut self, line: &Line, place: (f32, f32), size: f32, ink: Ink) {
        self.draw(|sheet, used| sheet.text(used, line, place, size, ink));
    }

    /// Sets words in lines from the left edge `x`, as wide as `width`; the page may end in between.
    fn flow(&mut self, words: &Words, (x, width): (f32, f32), size: f32, ink: Ink, is_bold: bool) {
        let lines = self.faces.lines(words, false, is_bold, width / size);
        let leading = size * LEADING;
        for (n, line) in lines.iter().enumerate() {
            // No line of a paragraph stays alone at a page's end.
            let keep = if n == 0 && lines.len() > 1 { 2.0 } else { 1.0 };
            self.room_for(keep * leading);
            let baseline = self.y + size * 1.02;
            self.set(line, (x, baseline), size, ink);
            self.y += leading;
        }
    }

    /// Sets words in lines over the whole width.
    pub fn paragraph(&mut self, words: &Words, size: f32, ink: Ink) {
        let place = (self.left(), self.text_width());
        self.flow(words, place, size, ink, false);
    }

    fn title(&mut self, above: &Words, title: &Words) {
        let place = (self.left(), self.text_width());
        let (left, width) = place;
        let y = self.y;
        self.draw(|sheet, _| sheet.rect(left, y, width, 2.2, Ink::Black));
        self.y += 8.0;
        self.flow(above, place, SMALL, Ink::Grey, false);
        self.y += 1.0;
        self.note_heading(title, 0);
        self.flow(title, place, 19.0, Ink::Black, true);
        self.y += 5.0;
    }

    fn heading(&mut self, words: &Words, size: f32, level: usize) {
        let place = (self.left(), self.text_width());
        if self.y > self.above() {
            self.y += if level == 1 { 9.0 } else { 5.0 };
        }
        self.note_heading(words, level);
        self.flow(words, place, size, Ink::Black, true);
        if level == 1 {
            let (left, right, y) = (place.0, place.0 + place.1, self.y + 0.5);
            self.draw(|sheet, _| sheet.line((left, y), (right, y), Stroke::whole(Ink::Pale, 0.8)));
            self.y += 2.0;
        }
        self.y += 3.0;
    }

    fn note_heading(&mut self, words: &Words, level: usize) {
        if level <= 1 {
            self.laid.outline.push(Entry {
                level,
                text: words.text(),
                page: self.laid.sheets.len().saturating_sub(1),
                y: self.y * self.scale,
            });
        }
    }

    fn list(&mut self, points: &[Words]) {
        let (left, width) = (self.left(), self.text_width());
        for point in points {
            self.room_for(TEXT * LEADING);
            let y = self.y + 0.58 * TEXT;
            self.draw(|sheet, _| sheet.rect(left + 2.0, y, 2.6, 2.6, Ink::Grey));
            self.flow(point, (left + 12.0, width - 12.0), TEXT, Ink::Black, false);
            self.y += 2.0;
        }
        self.y += 3.0;
    }

    /// A box with a bar at its side; its height is known beforehand.
    fn boxed(&mut self, ground: Ink, bar: Ink, inner: impl Fn(&mut Self)) {
        let mut scratch = self.endless();
        // Laid out as if it were this page, to know how high it comes.
        let height = {
            inner_of(&mut scratch, &inner);
            scratch.y - ABOVE + 12.0
        };
        self.room_for(height);
        let (left, width, y) = (self.left(), self.text_width(), self.y);
        self.draw(|sheet, _| {
            sheet.rect(left, y, width, height, ground);
            sheet.rect(left, y, 3.0, height, bar);
        });
        self.y += 6.0;
        inner(self);
        self.y = y + height + 7.0;
    }

    fn finding(&mut self, all: &[Words]) {
        let (left, width) = (self.left() + 13.0, self.text_width() - 24.0);
        self.boxed(Ink::Ground, Ink::Current, |layout| {
            for (n, words) in all.iter().enumerate() {
                let size = if n == 0 { 11.2 } else { TEXT };
                layout.flow(words, (left, width), size, Ink::Black, n == 0);
                layout.y += 2.0;
            }
        });
    }

    fn warning(&mut self, head: &Words, all: &[Words]) {
        let (left, width) = (self.left() + 13.0, self.text_width() - 24.0);
        self.boxed(Ink::Ground, Ink::Hot, |layout| {
            layout.flow(head, (left, width), TEXT, Ink::Hot, true);
            for words in all {
                layout.flow(words, (left, width), SMALL + 0.5, Ink::Black, false);
                layout.y += 1.5;
            }
        });
    }

    fn figures(&mut self, figures: &[(Words, Words)]) {
        let count = figures.len().max(1) as f32;
        let (left, width) = (self.left(), self.text_width());
        let each = width / count;
        self.room_for(40.0);
        let top = self.y;
        for (n, (figure, what)) in figures.iter().enumerate() {
            let x = left + n as f32 * each;
            let line = self.faces.line(figure, false, true);
            let size = (each - 8.0).min(16.0 * line.width) / line.width.max(0.1);
            self.set(&line, (x, top + 16.0), size, Ink::Black);
            self.y = top + 21.0;
            let lines = self.faces.lines(what, false, false, (each - 8.0) / SMALL);
            for line in &lines {
                let baseline = self.y + SMALL;
                self.set(line, (x, baseline), SMALL, Ink::Grey);
                self.y += SMALL * 1.25;
            }
        }
        self.y = top + 44.0;
    }

    fn facts(&mut self, facts: &[(Words, Words)]) {
        let (left, width) = (self.left(), self.text_width());
        let gap = 18.0;
        let column = 0.5 * (width - gap);
        let name_width = 0.36 * column;
        for pair in facts.chunks(2) {
            let lines = |words: &Words, width: f32, is_bold: bool| {
                self.faces
                    .lines(words, false, is_bold, width / (SMALL + 0.6))
            };
            let set: Vec<(Vec<Line>, Vec<Line>)> = pair
                .iter()
                .map(|(name, value)| {
                    (
                        lines(name, name_width - 4.0, false),
                        lines(value, column - name_width, false),
                    )
                })
                .collect();
            let rows = set
                .iter()
                .map(|(a, b)| a.len().max(b.len()))
                .max()
                .unwrap_or(0);
            let leading = (SMALL + 0.6) * 1.3;
            let height = rows as f32 * leading + 3.4;
            self.room_for(height);
            let top = self.y;
            for (n, (name, value)) in set.iter().enumerate() {
                let x = left + n as f32 * (column + gap);
                self.draw(|sheet, _| {
                    sheet.line((x, top), (x + column, top), Stroke::whole(Ink::Pale, 0.5));
                });
                for (offset, ink, lines) in
                    [(0.0, Ink::Grey, name), (name_width, Ink::Black, value)]
                {
                    for (row, line) in lines.iter().enumerate() {
                        let baseline = top + 2.0 + (SMALL + 0.6) + row as f32 * leading;
                        self.set(line, (x + offset, baseline), SMALL + 0.6, ink);
                    }
                }
            }
            self.y = top + height;
        }
        self.y += 6.0;
    }

    fn fields(&mut self, fields: &[Words]) {
        let (left, width) = (self.left(), self.text_width());
        let gap = 18.0;
        let column = 0.5 * (width - gap);
        for pair in fields.chunks(2) {
            self.room_for(26.0);
            let top = self.y;
            for (n, words) in pair.iter().enumerate() {
                let x = left + n as f32 * (column + gap);
                self.draw(|sheet, _| {
                    let stroke = Stroke::whole(Ink::Grey, 0.5);
                    sheet.line((x, top + 15.0), (x + column, top + 15.0), stroke);
                });
                let line = self.faces.line(words, false, false);
                self.set(&line, (x, top + 22.5), SMALL - 0.6, Ink::Grey);
            }
            self.y = top + 27.0;
        }
        self.y += 3.0;
    }

    fn chart(&mut self, drawing: &Drawing, caption: &Words) {
        let scale = self.text_width() / drawing.width.max(1.0);
        let lines = self
            .faces
            .lines(caption, false, false, self.text_width() / SMALL);
        let height = scale * drawing.height;
        self.room_for(height + lines.len() as f32 * SMALL * LEADING + 6.0);
        let (left, top, faces) = (self.left(), self.y, self.faces);
        self.draw(|sheet, used| sheet.drawing(used, faces, drawing, (left, top), scale));
        self.y = top + height + 2.0;
        self.paragraph(caption, SMALL, Ink::Grey);
        self.y += 8.0;
    }

    /// Heads and feet, once the number of pages is known.
    fn heads_and_feet(&mut self, document: &Document) {
        let count = self.laid.sheets.len();
        let (left, right) = (SIDE, self.width - SIDE);
        let head = self.faces.line(&document.head, false, false);
        let head = self.faces.cut(head, (right - left) / (SMALL - 0.8));
        let foot = self.faces.line(&document.foot, false, false);
        let size = SMALL - 0.8;
        for (n, sheet) in self.laid.sheets.iter_mut().enumerate() {
            let used = &mut self.laid.used;
            let low = self.height - 30.0;
            sheet.line((left, low), (right, low), Stroke::whole(Ink::Pale, 0.6));
            sheet.text(used, &foot, (left, low + 11.0), size, Ink::Grey);
            let page = format!("page {} of {count}", n + 1);
            let words = Words::figured(page, Source::Paper);
            let line = self.faces.line(&words, false, false);
            let x = right - size * line.width;
            sheet.text(used, &line, (x, low + 11.0), size, Ink::Grey);
            if n > 0 {
                sheet.text(used, &head, (left, 32.0), size, Ink::Grey);
            }
        }
    }
}

/// What a few words before it belong to.
const fn is_explained(block: &Block) -> bool {
    matches!(
        block,
        Block::Table(_) | Block::Chart(..) | Block::Together(_) | Block::Subheading(_)
    )
}

/// Runs `inner` on another layout of the same kind.
fn inner_of<'a>(scratch: &mut Layout<'a>, inner: &impl Fn(&mut Layout<'a>)) {
    inner(scratch);
}
