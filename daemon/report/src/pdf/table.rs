//! Tables on paper: rows are never broken, the head is repeated on each page.

use super::layout::{Layout, SMALL};
use crate::document::{Align, Row, Table};
use crate::drawing::{Ink, Stroke};
use crate::typeface::Line;
use crate::words::Words;

/// Size of a cell's text, points.
const CELL: f32 = 7.6;
/// Of hashes.
const MONO: f32 = 6.1;
/// Of notes below a row.
const NOTE: f32 = 7.0;
/// Between columns.
const BETWEEN: f32 = 7.0;
/// Above and below a row's text.
const PADDING: f32 = 2.3;
const LEADING: f32 = 1.28;
/// So many rows stand below the head where a table begins.
const FIRST_ROWS: usize = 3;
/// A table of no more rows stays on one page.
const WHOLE_ROWS: usize = 8;

struct Place {
    x: f32,
    width: f32,
    align: Align,
}

/// Lays a table out, on as many pages as it takes;
/// so much has to be left below its last row on the page.
pub fn lay_out(layout: &mut Layout<'_>, table: &Table, below: f32) {
    let places = places(layout, table);
    let (rows, _) = table.printed();
    if !rows.is_empty() {
        let head = Set::of(layout, &places, &heads(table), None, Kind::Head);
        layout.room_for(begun_height(layout, table, below));
        head.draw(layout, &places);
        for (n, row) in rows.iter().enumerate() {
            let set = set(layout, &places, row, table.is_mono);
            // What explains the table stays with its last row, and that row not alone on a page.
            let rest = match rows.get(n + 1..).unwrap_or_default() {
                [] => below,
                [last] => below + self::set(layout, &places, last, table.is_mono).height(),
                _ => 0.0,
            };
            if layout.room_for(set.height() + rest) {
                head.draw(layout, &places);
            }
            set.draw(layout, &places);
        }
        let (left, right, y) = (layout.left(), layout.left() + layout.text_width(), layout.y);
        layout.draw(|sheet, _| sheet.line((left, y), (right, y), Stroke::whole(Ink::Grey, 0.6)));
    }
    if let Some(excerpt) = &table.excerpt {
        let words = excerpt.more.clone().say(": ").then(excerpt.place.clone());
        layout.y += PADDING;
        layout.paragraph(&words, SMALL, Ink::Black);
    }
}

/// How much of a page a table takes at its beginning, points: its head alone, or with one row, says nothing. A short table stays in
/// one piece with the `below` that explains it.
pub fn begun_height(layout: &Layout<'_>, table: &Table, below: f32) -> f32 {
    let places = places(layout, table);
    let head = Set::of(layout, &places, &heads(table), None, Kind::Head);
    let (rows, _) = table.printed();
    let with = |count: usize| {
        let rows = rows.iter().take(count);
        rows.map(|row| set(layout, &places, row, table.is_mono).height())
            .fold(head.height(), |sum, height| sum + height)
    };
    if rows.len() <= WHOLE_ROWS {
        let whole = with(rows.len()) + below;
        if whole < layout.page_height() {
            return whole;
        }
    }
    with(FIRST_ROWS)
}

fn heads(table: &Table) -> Vec<Words> {
    table
        .columns
        .iter()
        .map(|column| column.head.clone())
        .collect()
}

fn set(layout: &Layout<'_>, places: &[Place], row: &Row, is_mono: bool) -> Set {
    let kind = if is_mono { Kind::Mono } else { Kind::Cells };
    Set::of(layout, places, &row.cells, row.note.as_ref(), kind)
}

fn places(layout: &Layout<'_>, table: &Table) -> Vec<Place> {
    let count = table.columns.len().max(1) as f32;
    let width = layout.text_width() - BETWEEN * (count - 1.0);
    let shares: f32 = table.columns.iter().map(|column| column.share).sum();
    let mut x = layout.left();
    let mut places = Vec::new();
    for column in &table.columns {
        let width = width * column.share / shares.max(1e-3);
        places.push(Place {
            x,
            width,
            align: column.align,
        });
        x += width + BETWEEN;
    }
    places
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Head,
    Cells,
    Mono,
}

/// A row in lines.
struct Set {
    cells: Vec<Vec<Line>>,
    note: Vec<Line>,
    kind: Kind,
    size: f32,
}

impl Set {
    fn of(
        layout: &Layout<'_>,
        places: &[Place],
        cells: &[Words],
        note: Option<&Words>,
        kind: Kind,
    ) -> Self {
        let size = match kind {
            Kind::Head => NOTE,
            Kind::Cells => CELL,
            Kind::Mono => MONO,
        };
        let lines = |(words, place): (&Words, &Place)| {
            let (is_mono, is_bold) = (kind == Kind::Mono, kind == Kind::Head);
            layout
                .faces
                .lines(words, is_mono, is_bold, place.width / size)
        };
        let note_width = note_width(layout, places);
        Self {
            cells: cells.iter().zip(places).map(lines).collect(),
            note: note.map_or(Vec::new(), |note| {
                layout.faces.lines(note, false, false, note_width / NOTE)
            }),
            kind,
            size,
        }
    }

    fn height(&self) -> f32 {
        let rows = self.cells.iter().map(Vec::len).max().unwrap_or(0) as f32;
        let note = self.note.len() as f32 * NOTE * LEADING;
        rows * self.size * LEADING + note + 2.0 * PADDING
    }

    fn draw(&self, layout: &mut Layout<'_>, places: &[Place]) {
        let top = layout.y;
        let (left, right) = (layout.left(), layout.left() + layout.text_width());
        let rule = match self.kind {
            Kind::Head => Stroke::whole(Ink::Grey, 0.9),
            _ => Stroke::whole(Ink::Pale, 0.5),
        };
        layout.draw(|sheet, _| sheet.line((left, top), (right, top), rule));
        let leading = self.size * LEADING;
        for (lines, place) in self.cells.iter().zip(places) {
            for (n, line) in lines.iter().enumerate() {
                let x = match place.align {
                    Align::Left => place.x,
                    Align::Right => place.x + place.width - self.size * line.width,
                };
                let baseline = top + PADDING + self.size + n as f32 * leading;
                layout.set(line, (x, baseline), self.size, Ink::Black);
            }
        }
        let rows = self.cells.iter().map(Vec::len).max().unwrap_or(0) as f32;
        let mut y = top + PADDING + rows * leading;
        let x = places
            .get(1)
            .or(places.first())
            .map_or(left, |place| place.x);
        for line in &self.note {
            layout.set(line, (x, y + NOTE), NOTE, Ink::Grey);
            y += NOTE * LEADING;
        }
        layout.y = top + self.height();
        if self.kind == Kind::Head {
            let y = layout.y;
            layout
                .draw(|sheet, _| sheet.line((left, y), (right, y), Stroke::whole(Ink::Grey, 0.5)));
        }
    }
}

fn note_width(layout: &Layout<'_>, places: &[Place]) -> f32 {
    let x = places
        .get(1)
        .or(places.first())
        .map_or(0.0, |place| place.x);
    layout.left() + layout.text_width() - x
}
