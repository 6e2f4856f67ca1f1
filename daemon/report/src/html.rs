//! The document as one HTML file: nothing is fetched, no script runs, charts are SVG within it.

use std::fmt::Write as _;

use crate::document::{Align, Block, Document, Row, Table};
use crate::drawing::{Anchor, At, Drawing, Ink, Shape, Stroke};
use crate::words::Words;

/// A cell of no more characters stays on one line.
const UNBROKEN_CHARS: usize = 25;

const STYLE: &str = include_str!("style.css");

/// The text of an HTML file.
pub fn write(document: &Document) -> String {
    let mut page = Page::default();
    let mut id = String::new();
    for byte in document.id {
        page.add(&mut id, format_args!("{byte:02x}"));
    }
    let mut out = String::new();
    page.add(
        &mut out,
        format_args!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<meta charset=\"utf-8\">\n\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <meta name=\"nightclamp-id\" content=\"{id}\">\n<title>{}</title>\n<style>\n{STYLE}</style>\n",
            escaped(&document.title)
        ),
    );
    for part in &document.parts {
        out.push_str(if part.is_one_sheet {
            "<main class=\"sheet\">\n"
        } else {
            "<main>\n"
        });
        part.blocks
            .iter()
            .for_each(|block| page.block(&mut out, block));
        out.push_str("</main>\n");
    }
    page.add(
        &mut out,
        format_args!(
            "<footer>{} · {}</footer>\n</html>\n",
            words(&document.head),
            words(&document.foot)
        ),
    );
    out
}

/// Text with everything that markup could be made of put beyond harm.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

fn words(of: &Words) -> String {
    let run = |run: &crate::words::Run| {
        let text = escaped(&run.text);
        if run.is_bold {
            format!("<b>{text}</b>")
        } else {
            text
        }
    };
    of.runs.iter().map(run).collect()
}

#[derive(Default)]
struct Page {
    headings: usize,
}

impl Page {
    fn add(&self, out: &mut String, text: std::fmt::Arguments<'_>) {
        // Writing to a String cannot fail.
        out.write_fmt(text).unwrap_or_default();
    }

    fn block(&mut self, out: &mut String, block: &Block) {
        match block {
            Block::Title { above, title } => self.add(
                out,
                format_args!(
                    "<header><p>{}</p><h1>{}</h1></header>\n",
                    words(above),
                    words(title)
                ),
            ),
            Block::Heading(of) => {
                self.headings += 1;
                let number = self.headings;
                self.add(
                    out,
                    format_args!("<h2 id=\"h{number}\">{}</h2>\n", words(of)),
                );
            }
            Block::Subheading(of) => self.add(out, format_args!("<h3>{}</h3>\n", words(of))),
            Block::Paragraph(of) => self.add(out, format_args!("<p>{}</p>\n", words(of))),
            Block::Small(of) => {
                self.add(out, format_args!("<p class=\"small\">{}</p>\n", words(of)))
            }
            Block::List(points) => {
                out.push_str("<ul>\n");
                for point in points {
                    self.add(out, format_args!("<li>{}</li>\n", words(point)));
                }
                out.push_str("</ul>\n");
            }
            Block::Finding(all) => self.boxed(out, "finding", None, all),
            Block::Warning(head, all) => self.boxed(out, "warning", Some(head), all),
            Block::Figures(pairs) => {
                out.push_str("<dl class=\"figures\">\n");
                for (figure, what) in pairs {
                    self.add(
                        out,
                        format_args!(
                            "<div><dt>{}</dt><dd>{}</dd></div>\n",
                            words(what),
                            words(figure)
                        ),
                    );
                }
                out.push_str("</dl>\n");
            }
            Block::Facts(pairs) => {
                out.push_str("<dl class=\"facts\">\n");
                for (name, value) in pairs {
                    self.add(
                        out,
                        format_args!(
                            "<div><dt>{}</dt><dd>{}</dd></div>\n",
                            words(name),
                            words(value)
                        ),
                    );
                }
                out.push_str("</dl>\n");
            }
            Block::Fields(fields) => {
                out.push_str("<div class=\"fields\">\n");
                for field in fields {
                    self.add(out, format_args!("<p><span></span>{}</p>\n", words(field)));
                }
                out.push_str("</div>\n");
            }
            Block::Table(table) => self.table(out, table),
            Block::Chart(drawings, caption) => {
                out.push_str("<figure><div class=\"wide\" tabindex=\"0\">");
                drawings
                    .iter()
                    .take(1)
                    .for_each(|drawing| self.drawing(out, drawing));
                self.add(
                    out,
                    format_args!(
                        "</div><figcaption>{}</figcaption></figure>\n",
                        words(caption)
                    ),
                );
            }
            Block::Together(blocks) => {
                out.push_str("<section>\n");
                blocks.iter().for_each(|block| self.block(out, block));
                out.push_str("</section>\n");
            }
            Block::Beside(left, right) => {
                out.push_str("<div class=\"beside\"><div>\n");
                left.iter().for_each(|block| self.block(out, block));
                out.push_str("</div><div>\n");
                right.iter().for_each(|block| self.block(out, block));
                out.push_str("</div></div>\n");
            }
            Block::NewPage => {}
        }
    }

    fn boxed(&self, out: &mut String, class: &str, head: Option<&Words>, all: &[Words]) {
        self.add(out, format_args!("<div class=\"{class}\">\n"));
        if let Some(head) = head {
            self.add(out, format_args!("<p><b>{}</b></p>\n", words(head)));
        }
        for of in all {
            self.add(out, format_args!("<p>{}</p>\n", words(of)));
        }
        out.push_str("</div>\n");
    }

    fn table(&self, out: &mut String, table: &Table) {
        let (printed, rest) = table.printed();
        if !printed.is_empty() || rest.is_empty() {
            self.rows(out, table, &table.caption, printed);
        }
        if let Some(excerpt) = &table.excerpt {
            let summary = words(&excerpt.more);
            self.add(out, format_args!("<details><summary>{summary}</summary>\n"));
            self.rows(out, table, &excerpt.more, rest);
            out.push_str("</details>\n");
        }
    }

    fn rows(&self, out: &mut String, table: &Table, caption: &Words, rows: &[Row]) {
        let class = if table.is_mono { "mono" } else { "plain" };
        self.add(
            out,
            format_args!("<div class=\"wide\" tabindex=\"0\"><table class=\"{class}\"><caption><span>{}</span></caption>\n<thead><tr>", words(caption)),
        );
        for column in &table.columns {
            let side = match column.align {
                Align::Right => " class=\"r\"",
                Align::Left => "",
            };
            self.add(
                out,
                format_args!("<th scope=\"col\"{side}>{}</th>", words(&column.head)),
            );
        }
        out.push_str("</tr></thead>\n");
        rows.iter().for_each(|row| self.row(out, table, row));
        out.push_str("</table></div>\n");
    }

    fn row(&self, out: &mut String, table: &Table, row: &Row) {
        out.push_str("<tbody><tr>");
        for (cell, column) in row.cells.iter().zip(&table.columns) {
            let short = if cell.text().chars().count() <= UNBROKEN_CHARS {
                " n"
            } else {
                ""
            };
            let side = match column.align {
                Align::Right => "r",
                Align::Left => "l",
            };
            self.add(
                out,
                format_args!("<td class=\"{side}{short}\">{}</td>", words(cell)),
            );
        }
        out.push_str("</tr>");
        if let Some(note) = &row.note {
            let columns = table.columns.len().saturating_sub(1).max(1);
            self.add(
                out,
                format_args!(
                    "<tr class=\"note\"><td></td><td colspan=\"{columns}\"><span>{}</span></td></tr>",
                    words(note)
                ),
            );
        }
        out.push_str("</tbody>\n");
    }

    fn drawing(&self, out: &mut String, drawing: &Drawing) {
        self.add(
            out,
            format_args!(
                "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\">\n",
                Tenth(drawing.width),
                Tenth(drawing.height),
                escaped(&drawing.told)
            ),
        );
        drawing
            .shapes
            .iter()
            .for_each(|shape| self.shape(out, shape));
        out.push_str("</svg>");
    }

    fn shape(&self, out: &mut String, shape: &Shape) {
        match shape {
            Shape::Line(points, stroke) => {
                self.add(
                    out,
                    format_args!(
                        "<path fill=\"none\" {} d=\"{}\"/>\n",
                        Pen(*stroke),
                        path(points)
                    ),
                );
            }
            Shape::Area(points, ink) => {
                self.add(
                    out,
                    format_args!(
                        "<path fill=\"{}\" d=\"{}Z\"/>\n",
                        Colour(*ink),
                        path(points)
                    ),
                );
            }
            Shape::Bars(bars, stroke) => {
                let d: String = bars.iter().map(|(from, to)| path(&[*from, *to])).collect();
                self.add(
                    out,
                    format_args!("<path fill=\"none\" {} d=\"{d}\"/>\n", Pen(*stroke)),
                );
            }
            Shape::Label {
                at,
                anchor,
                size,
                ink,
                words: of,
            } => {
                let anchor = match anchor {
                    Anchor::Start => "start",
                    Anchor::Middle => "middle",
                    Anchor::End => "end",
                };
                self.add(
                    out,
                    format_args!(
                        "<text x=\"{}\" y=\"{}\" font-size=\"{size}\" text-anchor=\"{anchor}\" fill=\"{}\">{}</text>\n",
                        Tenth(at.x),
                        Tenth(at.y),
                        Colour(*ink),
                        escaped(&of.text())
                    ),
                );
            }
        }
    }
}

/// A number to a tenth.
struct Tenth(f32);

impl std::fmt::Display for Tenth {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The smallest text: "12" and not "12.0".
        write!(f, "{}", (f64::from(self.0) * 10.0).round() / 10.0)
    }
}

/// An ink by its name in the style sheet, where it has a shade on white paper and one on a dark screen.
struct Colour(Ink);

impl std::fmt::Display for Colour {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "var(--{})", self.0.name())
    }
}

struct Pen(Stroke);

impl std::fmt::Display for Pen {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "stroke=\"{}\" stroke-width=\"{}\"",
            Colour(self.0.ink),
            self.0.width
        )?;
        if self.0.dash > 0.0 {
            write!(f, " stroke-dasharray=\"{}\"", self.0.dash)?;
        }
        Ok(())
    }
}

fn path(points: &[At]) -> String {
    let mut d = String::new();
    for (n, point) in points.iter().enumerate() {
        let letter = if n == 0 { 'M' } else { 'L' };
        // Writing to a String cannot fail.
        write!(d, "{letter}{} {}", Tenth(point.x), Tenth(point.y)).unwrap_or_default();
    }
    d
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The shade that a part of the style sheet gives an ink.
    fn shade(sheet: &str, ink: Ink) -> [u8; 3] {
        let name = format!("--{}: #", ink.name());
        let (_, rest) = sheet.split_once(&name).unwrap_or_default();
        [0, 2, 4].map(|at| {
            let digits = rest.get(at..at + 2).unwrap_or_default();
            u8::from_str_radix(digits, 16).unwrap_or_default()
        })
    }

    /// Relative luminance and contrast ratio as WCAG 2.2 defines them.
    fn contrast(one: [u8; 3], other: [u8; 3]) -> f64 {
        let luminance = |rgb: [u8; 3]| {
            let [r, g, b] = rgb.map(|part| {
                let part = f64::from(part) / 255.0;
                match part <= 0.04045 {
                    true => part / 12.92,
                    false => ((part + 0.055) / 1.055).powf(2.4),
                }
            });
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    #[test]
    fn a_screen_shows_the_inks_of_paper_or_darks_own_and_all_text_can_be_read() {
        let (light, dark) = STYLE
            .split_once("prefers-color-scheme: dark")
            .unwrap_or_default();
        for ink in Ink::ALL {
            assert_eq!(shade(light, ink), ink.rgb(), "{ink:?}");
        }
        let text = [
            Ink::Black,
            Ink::Grey,
            Ink::Current,
            Ink::Hot,
            Ink::Room,
            Ink::Cold,
            Ink::Limit,
        ];
        for sheet in [light, dark] {
            for ink in text {
                let ratio = contrast(shade(sheet, ink), shade(sheet, Ink::White));
                assert!(ratio >= 4.5, "{ink:?}: {ratio}");
            }
            for (ink, ground) in [
                (Ink::Black, Ink::Ground),
                (Ink::Hot, Ink::Ground),
                (Ink::Grey, Ink::Unseen),
            ] {
                let ratio = contrast(shade(sheet, ink), shade(sheet, ground));
                assert!(ratio >= 4.5, "{ink:?} on {ground:?}: {ratio}");
            }
        }
    }
}
