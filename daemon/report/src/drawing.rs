//! A drawing as shapes, in points, y downwards from its top edge. Paper and page draw the same shapes.

use crate::words::Words;

/// A colour, by what it stands for: both backends give it the same ink, and nothing is told by it alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ink {
    /// Text and axes.
    Black,
    /// Beside the point.
    Grey,
    /// Grids and rules.
    Pale,
    /// Ground of boxes.
    Ground,
    /// Current.
    Current,
    /// The case, and what has to do with a trip.
    Hot,
    /// The room.
    Room,
    /// Cold and supply.
    Cold,
    /// Limits and terms.
    Limit,
    /// Not observed.
    Unseen,
    /// The paper.
    White,
}

impl Ink {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::Black,
        Self::Grey,
        Self::Pale,
        Self::Ground,
        Self::Current,
        Self::Hot,
        Self::Room,
        Self::Cold,
        Self::Limit,
        Self::Unseen,
        Self::White,
    ];

    /// What the page's style sheet calls it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Black => "ink",
            Self::Grey => "grey",
            Self::Pale => "pale",
            Self::Ground => "ground",
            Self::Current => "current",
            Self::Hot => "hot",
            Self::Room => "room",
            Self::Cold => "cold",
            Self::Limit => "limit",
            Self::Unseen => "unseen",
            Self::White => "paper",
        }
    }

    /// On paper: red, green, blue, 0..255.
    pub const fn rgb(self) -> [u8; 3] {
        match self {
            Self::Black => [0x1b, 0x22, 0x2a],
            Self::Grey => [0x56, 0x60, 0x6a],
            Self::Pale => [0xd5, 0xda, 0xdf],
            Self::Ground => [0xf1, 0xf4, 0xf6],
            Self::Current => [0x1d, 0x4e, 0x79],
            Self::Hot => [0xa8, 0x32, 0x1e],
            Self::Room => [0x5b, 0x6b, 0x2f],
            Self::Cold => [0x2a, 0x7f, 0x8e],
            Self::Limit => [0x7a, 0x4b, 0x9a],
            Self::Unseen => [0xe4, 0xde, 0xd2],
            Self::White => [0xff, 0xff, 0xff],
        }
    }
}

/// A point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct At {
    /// From the left edge, points.
    pub x: f32,
    /// From the top edge, points.
    pub y: f32,
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// Its ink.
    pub ink: Ink,
    /// Its width, points.
    pub width: f32,
    /// Dashes and spaces of this length, points; 0 for none.
    pub dash: f32,
}

impl Stroke {
    /// A whole line.
    pub const fn whole(ink: Ink, width: f32) -> Self {
        Self {
            ink,
            width,
            dash: 0.0,
        }
    }

    /// A dashed line.
    pub const fn dashed(ink: Ink, width: f32, dash: f32) -> Self {
        Self { ink, width, dash }
    }
}

/// Which part of a text its point is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Its beginning.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

/// A shape.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A line through points.
    Line(Vec<At>, Stroke),
    /// A filled polygon.
    Area(Vec<At>, Ink),
    /// Lines apart from one another, each from a point to a point: an envelope's strokes.
    Bars(Vec<(At, At)>, Stroke),
    /// Text.
    Label {
        /// Where.
        at: At,
        /// Which part of it is there.
        anchor: Anchor,
        /// Size, points.
        size: f32,
        /// Ink.
        ink: Ink,
        /// The words.
        words: Words,
    },
}

/// Shapes in a frame.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Drawing {
    /// Width, points.
    pub width: f32,
    /// Height, points.
    pub height: f32,
    /// The shapes, the later over the earlier.
    pub shapes: Vec<Shape>,
    /// What it shows, in words, for who cannot see it.
    pub told: String,
}

impl Drawing {
    /// Nothing yet.
    pub const fn new(width: f32, height: f32) -> Self {
        Self {
            width,
            height,
            shapes: Vec::new(),
            told: String::new(),
        }
    }

    /// The words of its labels.
    pub fn labels(&self) -> impl Iterator<Item = &Words> {
        self.shapes.iter().filter_map(|shape| match shape {
            Shape::Label { words, .. } => Some(words),
            _ => None,
        })
    }

    /// A line from a point to a point.
    pub fn line(&mut self, from: (f32, f32), to: (f32, f32), stroke: Stroke) {
        let points = vec![at(from.0, from.1), at(to.0, to.1)];
        self.shapes.push(Shape::Line(points, stroke));
    }

    /// A filled rectangle.
    pub fn rect(&mut self, x: f32, y: f32, width: f32, height: f32, ink: Ink) {
        let (right, low) = (x + width, y + height);
        let corners = vec![at(x, y), at(right, y), at(right, low), at(x, low)];
        self.shapes.push(Shape::Area(corners, ink));
    }

    /// Text.
    pub fn label(&mut self, place: (f32, f32), anchor: Anchor, size: f32, ink: Ink, words: Words) {
        self.shapes.push(Shape::Label {
            at: at(place.0, place.1),
            anchor,
            size,
            ink,
            words,
        });
    }
}

/// A point.
pub const fn at(x: f32, y: f32) -> At {
    At { x, y }
}
