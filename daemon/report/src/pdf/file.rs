//! The objects of the PDF: pages, typefaces, outline. Numbered in the order in which they are written.

use std::io::Write as _;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};
use subsetter::GlyphRemapper;

use super::layout::{Entry, Laid};
use super::sheet::font_name;
use crate::Paper;
use crate::document::Document;
use crate::typeface::{Face, Glyph, Typefaces};

const IDENTITY: SystemInfo<'static> = SystemInfo {
    registry: Str(b"Adobe"),
    ordering: Str(b"Identity"),
    supplement: 0,
};

/// Hands out numbers of objects.
struct Numbers(i32);

impl Numbers {
    const fn next(&mut self) -> Ref {
        self.0 += 1;
        Ref::new(self.0)
    }
}

/// The bytes of the file.
pub fn write(
    document: &Document,
    paper: Paper,
    faces: &Typefaces,
    laid: Laid,
) -> Result<Vec<u8>, String> {
    let mut pdf = Pdf::new();
    let mut numbers = Numbers(0);
    let (catalog, tree, outline) = (numbers.next(), numbers.next(), numbers.next());
    let pages: Vec<Ref> = laid.sheets.iter().map(|_| numbers.next()).collect();
    let mut fonts = Vec::new();
    for (face, used, glyphs) in laid.used.faces() {
        let font = numbers.next();
        let number = |glyph: &Glyph| used.get(glyph.id).unwrap_or_default();
        let mut glyphs: Vec<&Glyph> = glyphs.values().collect();
        glyphs.sort_by_key(|glyph| number(glyph));
        write_font(&mut pdf, &mut numbers, faces, (face, font), used, &glyphs)?;
        fonts.push((face, font));
    }
    let has_outline = write_outline(
        &mut pdf,
        &mut numbers,
        outline,
        &laid.outline,
        &pages,
        paper,
    );
    let (width, height) = paper.size();
    for (sheet, &id) in laid.sheets.into_iter().zip(&pages) {
        let content = numbers.next();
        let bytes = packed(sheet.content.finish().as_slice())?;
        pdf.stream(content, &bytes).filter(Filter::FlateDecode);
        let mut page = pdf.page(id);
        page.parent(tree)
            .media_box(Rect::new(0.0, 0.0, width, height));
        page.contents(content);
        let mut resources = page.resources();
        let mut on_page = resources.fonts();
        for &(face, font) in &fonts {
            on_page.pair(font_name(face), font);
        }
    }
    pdf.pages(tree)
        .count(i32::try_from(pages.len()).unwrap_or(i32::MAX))
        .kids(pages);
    let info = numbers.next();
    pdf.document_info(info)
        .title(TextStr(&document.title))
        .creator(TextStr("Nightclamp"))
        .producer(TextStr("Nightclamp"));
    let mut root = pdf.catalog(catalog);
    root.pages(tree).lang(TextStr("en"));
    if has_outline {
        root.outlines(outline);
    }
    root.viewer_preferences().display_doc_title(true);
    root.finish();
    pdf.set_file_id((document.id.to_vec(), document.id.to_vec()));
    Ok(pdf.finish())
}

/// Compressed, always alike.
fn packed(bytes: &[u8]) -> Result<Vec<u8>, String> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
    encoder
        .write_all(bytes)
        .and_then(|()| encoder.finish())
        .map_err(|error| error.to_string())
}

fn write_font(
    pdf: &mut Pdf,
    numbers: &mut Numbers,
    faces: &Typefaces,
    (face, id): (Face, Ref),
    used: &GlyphRemapper,
    glyphs: &[&Glyph],
) -> Result<(), String> {
    let subset = subsetter::subset(face.data(), 0, used).map_err(|error| error.to_string())?;
    let [descendant, descriptor, file, cmap] = std::array::from_fn(|_| numbers.next());
    // Six letters mark a subset (ISO 32000-1, 9.6.4).
    let base = format!("NCLAMP+{}", face.name());
    pdf.type0_font(id)
        .base_font(Name(base.as_bytes()))
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(descendant)
        .to_unicode(cmap);
    let parsed = faces.parsed(face);
    let em = |units: i16| f32::from(units) * 1000.0 / f32::from(parsed.units_per_em());
    let mut cid = pdf.cid_font(descendant);
    cid.subtype(CidFontType::Type2)
        .base_font(Name(base.as_bytes()))
        .system_info(IDENTITY)
        .font_descriptor(descriptor)
        .default_width(0.0)
        .cid_to_gid_map_predefined(Name(b"Identity"));
    let number = |glyph: &Glyph| used.get(glyph.id).unwrap_or_default();
    let mut widths = cid.widths();
    for glyph in glyphs {
        let width = (glyph.advance * 1000.0).round();
        widths.consecutive(number(glyph), [width]);
    }
    widths.finish();
    cid.finish();
    let bounds = parsed.global_bounding_box();
    let mut flags = FontFlags::NON_SYMBOLIC;
    if face == Face::Mono {
        flags |= FontFlags::FIXED_PITCH;
    }
    pdf.font_descriptor(descriptor)
        .name(Name(base.as_bytes()))
        .flags(flags)
        .bbox(Rect::new(
            em(bounds.x_min),
            em(bounds.y_min),
            em(bounds.x_max),
            em(bounds.y_max),
        ))
        .italic_angle(0.0)
        .ascent(em(parsed.ascender()))
        .descent(em(parsed.descender()))
        .cap_height(em(parsed
            .capital_height()
            .unwrap_or_else(|| parsed.ascender())))
        .stem_v(if face == Face::Bold { 120.0 } else { 80.0 })
        .font_file2(file);
    let mut unicode = UnicodeCmap::new(Name(b"NightclampText"), IDENTITY);
    for glyph in glyphs {
        unicode.pair(number(glyph), glyph.character);
    }
    let unicode = packed(unicode.finish().as_slice())?;
    pdf.stream(cmap, &unicode).filter(Filter::FlateDecode);
    let length = i32::try_from(subset.len()).unwrap_or(i32::MAX);
    let subset = packed(&subset)?;
    pdf.stream(file, &subset)
        .filter(Filter::FlateDecode)
        .pair(Name(b"Length1"), length);
    Ok(())
}

/// A heading with the number of its entry in the outline.
type Item<'a> = (&'a Entry, Ref);

/// Parts with their headings; false if there are none.
fn write_outline(
    pdf: &mut Pdf,
    numbers: &mut Numbers,
    root: Ref,
    entries: &[Entry],
    pages: &[Ref],
    paper: Paper,
) -> bool {
    let mut parts: Vec<(&Entry, Ref, Vec<Item<'_>>)> = Vec::new();
    for entry in entries {
        match parts.last_mut() {
            Some((_, _, headings)) if entry.level > 0 => headings.push((entry, numbers.next())),
            _ => parts.push((entry, numbers.next(), Vec::new())),
        }
    }
    let (Some(first), Some(last)) = (parts.first(), parts.last()) else {
        return false;
    };
    pdf.outline(root)
        .first(first.1)
        .last(last.1)
        .count(i32::try_from(parts.len()).unwrap_or(i32::MAX));
    let flat: Vec<(&Entry, Ref)> = parts.iter().map(|(entry, id, _)| (*entry, *id)).collect();
    let height = paper.size().1;
    for (n, (_, id, headings)) in parts.iter().enumerate() {
        write_item(pdf, root, &flat, n, (pages, height), headings);
        for n in 0..headings.len() {
            write_item(pdf, *id, headings, n, (pages, height), &[]);
        }
    }
    true
}

fn write_item(
    pdf: &mut Pdf,
    parent: Ref,
    among: &[(&Entry, Ref)],
    n: usize,
    (pages, height): (&[Ref], f32),
    below: &[(&Entry, Ref)],
) {
    let Some(&(entry, id)) = among.get(n) else {
        return;
    };
    let mut item = pdf.outline_item(id);
    item.title(TextStr(&entry.text)).parent(parent);
    if let Some((_, before)) = n.checked_sub(1).and_then(|n| among.get(n)) {
        item.prev(*before);
    }
    if let Some((_, after)) = among.get(n + 1) {
        item.next(*after);
    }
    if let (Some((_, first)), Some((_, last))) = (below.first(), below.last()) {
        let count = i32::try_from(below.len()).unwrap_or(i32::MAX);
        item.first(*first).last(*last).count(-count);
    }
    if let Some(&page) = pages.get(entry.page) {
        item.dest()
            .page(page)
            .xyz(0.0, height - entry.y + 12.0, None);
    }
}
