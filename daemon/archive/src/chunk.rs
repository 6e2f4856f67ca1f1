//! Column chunks of `samples`, laid down page by page.
//!
//! The general writer of the `parquet` crate serves the small tables. Samples are nearly all that is ever written, and what
//! they are like is known; so their integers, their doubles and the columns that are all null are encoded here
//! ([`crate::encoding`]), in two thirds of the bytes and a third of the time, and handed to that writer as whole chunks.

use std::io::Write;

use bytes::Bytes;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::column::page::{CompressedPage, Page, PageWriter};
use parquet::column::writer::ColumnCloseResult;
use parquet::errors::{ParquetError, Result as ParquetResult};
use parquet::file::metadata::ColumnChunkMetaData;
use parquet::file::statistics::Statistics;
use parquet::file::writer::{SerializedPageWriter, SerializedRowGroupWriter, TrackedWrite};
use parquet::schema::types::ColumnDescPtr;
use zstd::bulk::Compressor;

use crate::encoding::{Dictionary, put_deltas, put_levels, put_numbers};
use crate::frame::{Column, Kind, Levels, Values};

/// zstd level of a page: more would save a thirtieth of the bytes.
const ZSTD_LEVEL: i32 = 1;
/// Rows of a page of numbers of a dictionary. zstd counts anew in each what is frequent, and a page that has no number above
/// 255 takes a byte a row.
const NUMBERS_PAGE_ROWS: usize = 8_192;

/// Writes chunks.
pub(crate) struct ChunkWriter {
    zstd: Compressor<'static>,
    /// A page before it is compressed.
    plain: Vec<u8>,
}

/// A chunk that is being laid down.
struct Chunk {
    bytes: TrackedWrite<Vec<u8>>,
    plain_bytes: usize,
    data_at: Option<u64>,
    has_dictionary: bool,
    encodings: Vec<Encoding>,
}

impl ChunkWriter {
    pub fn new() -> ParquetResult<Self> {
        Ok(Self {
            zstd: Compressor::new(ZSTD_LEVEL)?,
            plain: Vec::new(),
        })
    }

    /// Writes the column as the group's next chunk, if it is one that is encoded here; whether it was.
    pub fn write<W: Write + Send>(
        &mut self,
        group: &mut SerializedRowGroupWriter<'_, W>,
        described: ColumnDescPtr,
        column: &Column,
        rows: usize,
    ) -> ParquetResult<bool> {
        let levels = column.levels.as_ref();
        let chunk = match &column.values {
            Values::I32(values) => self.deltas(levels, rows, |out| put_deltas(values, out))?,
            Values::I64(values) => self.deltas(levels, rows, |out| put_deltas(values, out))?,
            Values::F64(values) if !values.is_empty() => match Dictionary::of(values) {
                Some(dictionary) => self.numbers(levels, rows, &dictionary)?,
                None => return Ok(false),
            },
            values if values.is_empty() => {
                let mut chunk = Chunk::new(&[Encoding::PLAIN]);
                self.data_page(&mut chunk, levels, (0, rows), Encoding::PLAIN, |_| ())?;
                chunk
            }
            _ => return Ok(false),
        };
        let (bytes, close) = chunk.close(described, column, rows)?;
        group.append_column(&bytes, close)?;
        Ok(true)
    }

    fn deltas(
        &mut self,
        levels: Option<&Levels>,
        rows: usize,
        put: impl FnOnce(&mut Vec<u8>),
    ) -> ParquetResult<Chunk> {
        let mut chunk = Chunk::new(&[Encoding::DELTA_BINARY_PACKED]);
        let encoding = Encoding::DELTA_BINARY_PACKED;
        self.data_page(&mut chunk, levels, (0, rows), encoding, put)?;
        Ok(chunk)
    }

    fn numbers(
        &mut self,
        levels: Option<&Levels>,
        rows: usize,
        dictionary: &Dictionary,
    ) -> ParquetResult<Chunk> {
        let mut chunk = Chunk::new(&[Encoding::PLAIN, Encoding::RLE_DICTIONARY]);
        self.dictionary_page(&mut chunk, &dictionary.distinct)?;
        let mut numbers = dictionary.numbers.as_slice();
        for from in (0..rows).step_by(NUMBERS_PAGE_ROWS) {
            let to = rows.min(from + NUMBERS_PAGE_ROWS);
            let values = levels.map_or(to - from, |levels| levels.values_in(from, to));
            let (of_page, rest) = numbers.split_at_checked(values).unwrap_or((numbers, &[]));
            numbers = rest;
            let encoding = Encoding::RLE_DICTIONARY;
            self.data_page(&mut chunk, levels, (from, to), encoding, |out| {
                put_numbers(of_page, out);
            })?;
        }
        Ok(chunk)
    }

    fn dictionary_page(&mut self, chunk: &mut Chunk, distinct: &[f64]) -> ParquetResult<()> {
        self.plain.clear();
        let bytes = distinct.iter().flat_map(|value| value.to_le_bytes());
        self.plain.extend(bytes);
        let page = Page::DictionaryPage {
            buf: self.compressed()?,
            num_values: distinct.len() as u32,
            encoding: Encoding::PLAIN,
            is_sorted: false,
        };
        chunk.has_dictionary = true;
        chunk.add(page, self.plain.len()).map(|_| ())
    }

    /// A page of the rows `from..to`, whose values `put` writes.
    fn data_page(
        &mut self,
        chunk: &mut Chunk,
        levels: Option<&Levels>,
        (from, to): (usize, usize),
        encoding: Encoding,
        put: impl FnOnce(&mut Vec<u8>),
    ) -> ParquetResult<()> {
        self.plain.clear();
        if let Some(levels) = levels {
            put_levels(levels, from, to, &mut self.plain);
        }
        put(&mut self.plain);
        let page = Page::DataPage {
            buf: self.compressed()?,
            num_values: (to - from) as u32,
            encoding,
            def_level_encoding: Encoding::RLE,
            rep_level_encoding: Encoding::RLE,
            statistics: None,
        };
        let at = chunk.add(page, self.plain.len())?;
        chunk.data_at.get_or_insert(at);
        Ok(())
    }

    fn compressed(&mut self) -> ParquetResult<Bytes> {
        Ok(self.zstd.compress(&self.plain)?.into())
    }
}

impl Chunk {
    fn new(encodings: &[Encoding]) -> Self {
        Self {
            bytes: TrackedWrite::new(Vec::new()),
            plain_bytes: 0,
            data_at: None,
            has_dictionary: false,
            encodings: [encodings, &[Encoding::RLE]].concat(),
        }
    }

    /// Appends a page; where it begins.
    fn add(&mut self, page: Page, plain_bytes: usize) -> ParquetResult<u64> {
        let page = CompressedPage::new(page, plain_bytes);
        let written = SerializedPageWriter::new(&mut self.bytes).write_page(page)?;
        self.plain_bytes += written.uncompressed_size;
        Ok(written.offset)
    }

    /// The chunk, and what the footer says of it.
    fn close(
        self,
        described: ColumnDescPtr,
        column: &Column,
        rows: usize,
    ) -> ParquetResult<(Bytes, ColumnCloseResult)> {
        let no_page = || ParquetError::General(format!("column {}: no page", column.name));
        let data_at = self.data_at.ok_or_else(no_page)?;
        let bytes = self.bytes.into_inner()?;
        let mut metadata = ColumnChunkMetaData::builder(described)
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
            .set_encodings(self.encodings)
            .set_num_values(rows as i64)
            .set_total_compressed_size(bytes.len() as i64)
            .set_total_uncompressed_size(self.plain_bytes as i64)
            .set_data_page_offset(data_at as i64)
            .set_dictionary_page_offset(self.has_dictionary.then_some(0));
        if let Some(statistics) = time_statistics(column) {
            metadata = metadata.set_statistics(statistics);
        }
        let close = ColumnCloseResult {
            bytes_written: bytes.len() as u64,
            rows_written: rows as u64,
            metadata: metadata.build()?,
            bloom_filter: None,
            column_index: None,
            offset_index: None,
        };
        Ok((bytes.into(), close))
    }
}

/// Smallest and largest time: a reader that wants an hour leaves the other files alone.
fn time_statistics(column: &Column) -> Option<Statistics> {
    let (Kind::Time, Values::I64(times)) = (column.kind, &column.values) else {
        return None;
    };
    let (first, last) = (times.iter().min().copied(), times.iter().max().copied());
    let nulls = column
        .levels
        .as_ref()
        .map_or(0, |levels| levels.len() - times.len());
    Some(Statistics::int64(
        first,
        last,
        None,
        Some(nulls as u64),
        false,
    ))
}
