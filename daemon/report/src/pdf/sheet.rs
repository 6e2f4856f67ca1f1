//! One page while it is drawn, y downwards, and the glyphs that were used.

use std::collections::BTreeMap;

use pdf_writer::types::LineCapStyle;
use pdf_writer::{Content, Name, Str};
use subsetter::GlyphRemapper;

use crate::drawing::{Anchor, At, Drawing, Ink, Shape, Stroke};
use crate::typeface::{Face, Glyph, Line, Typefaces};

/// The glyphs that a document uses, numbered anew for its subsets.
#[derive(Default)]
pub struct Used {
    faces: BTreeMap<Face, (GlyphRemapper, BTreeMap<u16, Glyph>)>,
}

impl Used {
    fn take(&mut self, glyph: &Glyph) -> u16 {
        let (numbers, glyphs) = self.faces.entry(glyph.face).or_default();
        let number = numbers.remap(glyph.id);
        glyphs.entry(number).or_insert(*glyph);
        number
    }

    /// Each typeface with its glyphs: by their new numbers.
    pub fn faces(&self) -> impl Iterator<Item = (Face, &GlyphRemapper, &BTreeMap<u16, Glyph>)> {
        self.faces
            .iter()
            .map(|(face, (numbers, glyphs))| (*face, numbers, glyphs))
    }
}

/// The name of a typeface on a page.
pub const fn font_name(face: Face) -> Name<'static> {
    match face {
        Face::Regular => Name(b"Fr"),
        Face::Bold => Name(b"Fb"),
        Face::Mono => Name(b"Fm"),
        Face::Other => Name(b"Fo"),
    }
}

/// A page.
pub struct Sheet {
    /// What is drawn on it.
    pub content: Content,
    height: f32,
}

impl Sheet {
    /// An empty page of that height, points.
    pub fn new(height: f32) -> Self {
        Self {
            content: Content::new(),
            height,
        }
    }

    /// An empty page on which everything is drawn `scale` times as large, until [`Sheet::end_scale`].
    pub fn scaled(height: f32, scale: f32) -> Self {
        let mut sheet = Self::new(height / scale);
        if scale < 1.0 {
            sheet.content.save_state();
            sheet.content.transform([scale, 0.0, 0.0, scale, 0.0, 0.0]);
        }
        sheet
    }

    /// From here on it is drawn as large as it says on the page, which is `height` points high.
    pub fn end_scale(&mut self, height: f32) {
        if height < self.height {
            self.content.restore_state();
            self.height = height;
        }
    }

    const fn flip(&self, y: f32) -> f32 {
        self.height - y
    }

    fn fill(&mut self, ink: Ink) {
        let [r, g, b] = ink.rgb().map(|part| f32::from(part) / 255.0);
        self.content.set_fill_rgb(round(r), round(g), round(b));
    }

    fn pen(&mut self, stroke: Stroke) {
        let [r, g, b] = stroke.ink.rgb().map(|part| f32::from(part) / 255.0);
        self.content.set_stroke_rgb(round(r), round(g), round(b));
        self.content.set_line_width(stroke.width);
        let dashes = (stroke.dash > 0.0).then_some(stroke.dash);
        self.content.set_dash_pattern(dashes, 0.0);
    }

    /// Sets a line of text with its baseline at `y`.
    pub fn text(&mut self, used: &mut Used, line: &Line, place: (f32, f32), size: f32, ink: Ink) {
        self.fill(ink);
        let y = self.flip(place.1);
        let mut x = place.0;
        self.content.begin_text();
        for run in line.glyphs.chunk_by(|a, b| a.face == b.face) {
            let Some(first) = run.first() else { continue };
            self.content.set_font(font_name(first.face), size);
            self.content
                .set_text_matrix([1.0, 0.0, 0.0, 1.0, round(x), round(y)]);
            let numbers = run.iter().flat_map(|glyph| used.take(glyph).to_be_bytes());
            let bytes: Vec<u8> = numbers.collect();
            self.content.show(Str(&bytes));
            x += size * run.iter().map(|glyph| glyph.advance).sum::<f32>();
        }
        self.content.end_text();
    }

    /// A filled rectangle.
    pub fn rect(&mut self, x: f32, y: f32, width: f32, height: f32, ink: Ink) {
        self.fill(ink);
        let low = self.flip(y + height);
        self.content
            .rect(round(x), round(low), round(width), round(height));
        self.content.fill_nonzero();
    }

    /// A line.
    pub fn line(&mut self, from: (f32, f32), to: (f32, f32), stroke: Stroke) {
        self.pen(stroke);
        let (y, y_to) = (self.flip(from.1), self.flip(to.1));
        self.content.move_to(round(from.0), round(y));
        self.content.line_to(round(to.0), round(y_to));
        self.content.stroke();
    }

    /// A drawing, its left upper corner at `corner`, made `scale` times as large.
    pub fn drawing(
        &mut self,
        used: &mut Used,
        faces: &Typefaces,
        drawing: &Drawing,
        corner: (f32, f32),
        scale: f32,
    ) {
        let place = |at: &At| (corner.0 + scale * at.x, corner.1 + scale * at.y);
        for shape in &drawing.shapes {
            match shape {
                Shape::Line(points, stroke) => {
                    self.pen(*stroke);
                    self.path(points.iter().map(place));
                    self.content.stroke();
                }
                Shape::Area(points, ink) => {
                    self.fill(*ink);
                    self.path(points.iter().map(place));
                    self.content.close_path();
                    self.content.fill_nonzero();
                }
                Shape::Bars(bars, stroke) => {
                    self.pen(*stroke);
                    self.content.set_line_cap(LineCapStyle::ButtCap);
                    for (from, to) in bars {
                        self.path([place(from), place(to)].into_iter());
                    }
                    self.content.stroke();
                }
                Shape::Label {
                    at,
                    anchor,
                    size,
                    ink,
                    words,
                } => {
                    let line = faces.line(words, false, false);
                    let (x, y) = place(at);
                    let width = scale * size * line.width;
                    let left = match anchor {
                        Anchor::Start => x,
                        Anchor::Middle => x - 0.5 * width,
                        Anchor::End => x - width,
                    };
                    self.text(used, &line, (left, y), scale * size, *ink);
                }
            }
        }
    }

    fn path(&mut self, points: impl Iterator<Item = (f32, f32)>) {
        for (n, (x, y)) in points.enumerate() {
            let (x, y) = (round(x), round(self.flip(y)));
            if n == 0 {
                self.content.move_to(x, y);
            } else {
                self.content.line_to(x, y);
            }
        }
    }
}

/// To a hundredth of a point: finer is noise that every file has to keep.
pub fn round(value: f32) -> f32 {
    (value * 100.0).round() / 100.0
}
