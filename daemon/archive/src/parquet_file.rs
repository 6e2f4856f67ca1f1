//! One table file: a [`Frame`] to the bytes of a Parquet file and back.
//!
//! Layout: one row group, zstd. Integers and times are DELTA_BINARY_PACKED, doubles go through a dictionary unless nearly
//! all are different, and columns that are all null are one page: those are encoded by [`crate::chunk`]. The rest, which is
//! text and booleans, is left to the writer of the `parquet` crate. Statistics are kept for times only. The same frame always
//! gives the same bytes.

use std::io::Write;
use std::panic::{UnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical, ZstdLevel};
use parquet::column::reader::ColumnReader;
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result as ParquetResult};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{
    EnabledStatistics, WriterProperties, WriterPropertiesBuilder, WriterVersion,
};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::{ColumnPath, SchemaDescriptor, Type, TypePtr};

use crate::chunk::ChunkWriter;
use crate::error::{ArchiveError, At, Result};
use crate::frame::{Column, Frame, Kind, Values};

/// zstd level: what more costs is not worth what it saves.
const ZSTD_LEVEL: i32 = 3;
/// Rows of a data page; a page is what a reader has to unpack at least.
const PAGE_ROWS: usize = 131_072;
/// Most rows and unpacked bytes of a file that is read: far more than any of ours has. It may be a stranger's.
const READ_ROWS_MAX: i64 = 1 << 23;
const READ_BYTES_MAX: i64 = 1 << 30;
/// Values encoded at a time.
const BATCH_ROWS: usize = 8_192;

/// In an `open.parquet`: how many raw logs had been removed when the projection that gave its rows began.
const WITHOUT: &str = "nightclamp.without";

/// The bytes of a Parquet file with these rows.
pub(crate) fn encode(frame: &Frame) -> ParquetResult<Vec<u8>> {
    encode_open(frame, 0)
}

/// The same of rows that are not sealed: the file itself says how many raw logs they were derived without.
pub(crate) fn encode_open(frame: &Frame, without: u64) -> ParquetResult<Vec<u8>> {
    let mut properties = properties(frame)?;
    if without > 0 {
        let said = KeyValue::new(WITHOUT.to_owned(), without.to_string());
        properties = properties.set_key_value_metadata(Some(vec![said]));
    }
    let mut groups = Groups::with(Vec::new(), frame, properties)?;
    groups.write(frame)?;
    groups.file.into_inner()
}

/// A file that is written row group by row group.
pub(crate) struct Groups<W: Write + Send> {
    file: SerializedFileWriter<W>,
    described: SchemaDescriptor,
    chunks: ChunkWriter,
}

impl<W: Write + Send> Groups<W> {
    /// One whose groups all have the columns of this frame.
    pub fn begin(to: W, columns: &Frame) -> ParquetResult<Self> {
        Self::with(to, columns, properties(columns)?)
    }

    fn with(to: W, columns: &Frame, properties: WriterPropertiesBuilder) -> ParquetResult<Self> {
        let schema = schema(columns)?;
        let described = SchemaDescriptor::new(schema.clone());
        Ok(Self {
            file: SerializedFileWriter::new(to, schema, Arc::new(properties.build()))?,
            described,
            chunks: ChunkWriter::new()?,
        })
    }

    /// Writes a group.
    pub fn write(&mut self, frame: &Frame) -> ParquetResult<()> {
        let mut group = self.file.next_row_group()?;
        for (column, described) in frame.columns.iter().zip(self.described.columns()) {
            let chunks = &mut self.chunks;
            if chunks.write(&mut group, described.clone(), column, frame.rows)? {
                continue;
            }
            let mut writer = group
                .next_column()?
                .ok_or_else(|| ParquetError::General("a column too many".into()))?;
            write_column(&mut writer, column)?;
            writer.close()?;
        }
        group.close()?;
        Ok(())
    }

    /// Writes what says where the groups are: without it there is no file.
    pub fn end(self) -> ParquetResult<()> {
        self.file.close().map(|_| ())
    }
}

fn write_column(writer: &mut SerializedColumnWriter<'_>, column: &Column) -> ParquetResult<()> {
    let levels = column
        .levels
        .as_ref()
        .map(|levels| levels.slice(0, levels.len()));
    let levels = levels.as_deref();
    match (writer.untyped(), &column.values) {
        (ColumnWriter::BoolColumnWriter(to), Values::Bool(values)) => {
            to.write_batch(values, levels, None)
        }
        (ColumnWriter::Int32ColumnWriter(to), Values::I32(values)) => {
            to.write_batch(values, levels, None)
        }
        (ColumnWriter::Int64ColumnWriter(to), Values::I64(values)) => {
            to.write_batch(values, levels, None)
        }
        (ColumnWriter::DoubleColumnWriter(to), Values::F64(values)) => {
            to.write_batch(values, levels, None)
        }
        (ColumnWriter::ByteArrayColumnWriter(to), Values::Text(values)) => {
            to.write_batch(values, levels, None)
        }
        _ => Err(ParquetError::General(format!(
            "column {}: values of another type",
            column.name
        ))),
    }
    .map(|_| ())
}

fn properties(frame: &Frame) -> ParquetResult<WriterPropertiesBuilder> {
    let mut properties = WriterProperties::builder()
        .set_writer_version(WriterVersion::PARQUET_1_0)
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
        .set_statistics_enabled(EnabledStatistics::None)
        .set_data_page_row_count_limit(PAGE_ROWS)
        .set_write_batch_size(BATCH_ROWS)
        .set_max_row_group_row_count(None);
    for column in &frame.columns {
        let is_text = column.kind == Kind::Text;
        let path = ColumnPath::from(column.name.as_str());
        properties = properties.set_column_dictionary_enabled(path, is_text);
    }
    Ok(properties)
}

fn schema(frame: &Frame) -> ParquetResult<TypePtr> {
    let fields = frame
        .columns
        .iter()
        .map(field)
        .collect::<ParquetResult<Vec<_>>>()?;
    Ok(Arc::new(
        Type::group_type_builder("rows")
            .with_fields(fields)
            .build()?,
    ))
}

fn field(column: &Column) -> ParquetResult<TypePtr> {
    let (physical, logical) = match column.kind {
        Kind::Time => (
            Physical::INT64,
            Some(LogicalType::timestamp(true, TimeUnit::MICROS)),
        ),
        Kind::U16 => (Physical::INT32, Some(LogicalType::integer(16, false))),
        Kind::U32 => (Physical::INT32, Some(LogicalType::integer(32, false))),
        Kind::U64 => (Physical::INT64, Some(LogicalType::integer(64, false))),
        Kind::I32 => (Physical::INT32, None),
        Kind::F64 => (Physical::DOUBLE, None),
        Kind::Bool => (Physical::BOOLEAN, None),
        Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
    };
    let repetition = if column.levels.is_some() {
        Repetition::OPTIONAL
    } else {
        Repetition::REQUIRED
    };
    let field = Type::primitive_type_builder(&column.name, physical)
        .with_repetition(repetition)
        .with_logical_type(logical);
    Ok(Arc::new(field.build()?))
}

/// The rows of a Parquet file that [`encode`] could have written; `path` is for the error only.
pub(crate) fn decode(path: &Path, bytes: Vec<u8>) -> Result<Frame> {
    decode_some(path, bytes, |_| true)
}

/// As [`decode`], with those columns only whose names are wanted.
pub(crate) fn decode_some(
    path: &Path,
    bytes: Vec<u8>,
    is_wanted: impl Fn(&str) -> bool + std::panic::RefUnwindSafe,
) -> Result<Frame> {
    caught(path, || decode_sound(path, bytes, &is_wanted))
}

/// The columns of such a file, without its rows.
pub(crate) fn columns_of(path: &Path, bytes: Vec<u8>) -> Result<Frame> {
    caught(path, || {
        let reader = SerializedFileReader::new(bytes::Bytes::from(bytes)).at(path, "read")?;
        Ok(columns_in(path, &reader, &|_| true)?.1)
    })
}

/// How many rows such a file has; none if it cannot be read.
pub(crate) fn rows_of(path: &Path, bytes: Vec<u8>) -> u64 {
    let rows = caught(path, || {
        let reader = SerializedFileReader::new(bytes::Bytes::from(bytes)).at(path, "read")?;
        Ok(reader.metadata().file_metadata().num_rows())
    });
    rows.map_or(0, |rows| u64::try_from(rows).unwrap_or(0))
}

/// The Parquet library panics at some damaged files.
fn caught<T>(path: &Path, read: impl FnOnce() -> Result<T> + UnwindSafe) -> Result<T> {
    catch_unwind(read).unwrap_or_else(|_| {
        Err(ArchiveError::BadTable {
            path: path.to_path_buf(),
            why: "is damaged".to_owned(),
        })
    })
}

/// How many raw logs had been removed when the projection began that gave an `open.parquet` its rows.
pub(crate) fn given_without(bytes: &[u8]) -> u64 {
    let said = || {
        let bytes = bytes::Bytes::copy_from_slice(bytes);
        let reader = SerializedFileReader::new(bytes).ok()?;
        let said = reader.metadata().file_metadata().key_value_metadata()?;
        let without = said.iter().find(|said| said.key == WITHOUT)?;
        without.value.as_ref()?.parse().ok()
    };
    // The Parquet library panics at some damaged files.
    catch_unwind(said).ok().flatten().unwrap_or(0)
}

fn decode_sound(path: &Path, bytes: Vec<u8>, is_wanted: &dyn Fn(&str) -> bool) -> Result<Frame> {
    let reader = SerializedFileReader::new(bytes::Bytes::from(bytes)).at(path, "read")?;
    let groups = reader.metadata().row_groups().iter();
    let (rows, unpacked) = groups.fold((0i64, 0i64), |(rows, bytes), group| {
        (
            rows.saturating_add(group.num_rows()),
            bytes.saturating_add(group.total_byte_size()),
        )
    });
    if rows > READ_ROWS_MAX || unpacked > READ_BYTES_MAX {
        return Err(ArchiveError::BadTable {
            path: path.to_path_buf(),
            why: format!("{rows} rows, {unpacked} bytes unpacked; none of ours is so large"),
        });
    }
    let (places, mut frame) = columns_in(path, &reader, is_wanted)?;
    for group in 0..reader.num_row_groups() {
        let group = reader.get_row_group(group).at(path, "read")?;
        let rows = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
        for (&place, column) in places.iter().zip(&mut frame.columns) {
            read_column(
                group.get_column_reader(place).at(path, "read")?,
                rows,
                column,
            )
            .at(path, "read")?;
        }
        frame.rows += rows;
    }
    Ok(frame)
}

/// The columns of a file that are wanted: their places in it, and themselves without rows.
fn columns_in(
    path: &Path,
    reader: &SerializedFileReader<bytes::Bytes>,
    is_wanted: &dyn Fn(&str) -> bool,
) -> Result<(Vec<usize>, Frame)> {
    let schema = reader.metadata().file_metadata().schema_descr_ptr();
    let mut columns = Vec::new();
    let mut places = Vec::new();
    for (place, descriptor) in schema.columns().iter().enumerate() {
        if !is_wanted(descriptor.name()) {
            continue;
        }
        places.push(place);
        let kind = kind_of(descriptor.self_type()).ok_or_else(|| ArchiveError::BadTable {
            path: path.to_path_buf(),
            why: format!(
                "column {} has a type that is not one of ours",
                descriptor.name()
            ),
        })?;
        columns.push(match descriptor.max_def_level() {
            0 => Column::required(descriptor.name(), kind),
            _ => Column::optional(descriptor.name(), kind, 0),
        });
    }
    Ok((places, Frame::new(columns)))
}

fn read_column(mut reader: ColumnReader, rows: usize, column: &mut Column) -> ParquetResult<()> {
    let mut read_levels = column.levels.as_ref().map(|_| Vec::new());
    let mut levels = read_levels.as_mut();
    let mut left = rows;
    while left > 0 {
        let levels = levels.as_deref_mut();
        let (read, _, _) = match (&mut reader, &mut column.values) {
            (ColumnReader::BoolColumnReader(from), Values::Bool(to)) => {
                from.read_records(left, levels, None, to)
            }
            (ColumnReader::Int32ColumnReader(from), Values::I32(to)) => {
                from.read_records(left, levels, None, to)
            }
            (ColumnReader::Int64ColumnReader(from), Values::I64(to)) => {
                from.read_records(left, levels, None, to)
            }
            (ColumnReader::DoubleColumnReader(from), Values::F64(to)) => {
                from.read_records(left, levels, None, to)
            }
            (ColumnReader::ByteArrayColumnReader(from), Values::Text(to)) => {
                from.read_records(left, levels, None, to)
            }
            _ => Err(ParquetError::General(format!(
                "column {}: values of another type",
                column.name
            ))),
        }?;
        if read == 0 {
            return Err(ParquetError::General(format!(
                "column {}: {left} rows are missing",
                column.name
            )));
        }
        left -= read;
    }
    if let (Some(levels), Some(read)) = (&mut column.levels, &read_levels) {
        levels.extend(read);
    }
    Ok(())
}

fn kind_of(field: &Type) -> Option<Kind> {
    if !field.is_primitive() {
        return None;
    }
    let logical = field.get_basic_info().logical_type_ref();
    match (field.get_physical_type(), logical) {
        (Physical::INT64, Some(logical))
            if *logical == LogicalType::timestamp(true, TimeUnit::MICROS) =>
        {
            Some(Kind::Time)
        }
        (Physical::INT64, Some(logical)) if *logical == LogicalType::integer(64, false) => {
            Some(Kind::U64)
        }
        (Physical::INT32, Some(logical)) if *logical == LogicalType::integer(16, false) => {
            Some(Kind::U16)
        }
        (Physical::INT32, Some(logical)) if *logical == LogicalType::integer(32, false) => {
            Some(Kind::U32)
        }
        (Physical::INT32, None) => Some(Kind::I32),
        (Physical::DOUBLE, None) => Some(Kind::F64),
        (Physical::BOOLEAN, None) => Some(Kind::Bool),
        (Physical::BYTE_ARRAY, Some(LogicalType::String)) => Some(Kind::Text),
        _ => None,
    }
}

/// Text as Parquet holds it.
pub(crate) fn text(value: &str) -> ByteArray {
    ByteArray::from(value)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)] // a test that fails should say so at once

    use super::*;
    use crate::frame::Compared;
    use proptest::prelude::*;

    const KINDS: [Kind; 8] = [
        Kind::Time,
        Kind::U16,
        Kind::U32,
        Kind::U64,
        Kind::I32,
        Kind::F64,
        Kind::Bool,
        Kind::Text,
    ];

    /// A frame with a column of every kind, once without and once with nulls.
    fn frame(rows: &[(i64, bool)]) -> Frame {
        let column = |(at, kind): (usize, Kind)| match at % 2 {
            0 => Column::required(&format!("c{at}"), kind),
            _ => Column::optional(&format!("c{at}"), kind, 0),
        };
        let mut frame = Frame::new(
            KINDS
                .into_iter()
                .flat_map(|kind| [kind; 2])
                .enumerate()
                .map(column)
                .collect(),
        );
        for &(value, is_null) in rows {
            frame.rows += 1;
            frame
                .columns
                .iter_mut()
                .for_each(|column| push(column, value, is_null && column.levels.is_some()));
        }
        frame
    }

    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_precision_loss,
        reason = "any value will do"
    )]
    fn push(column: &mut Column, value: i64, is_null: bool) {
        match column.kind {
            _ if is_null => column.null(),
            Kind::Time | Kind::U64 => column.i64(value),
            Kind::U16 => column.i32(i32::from(value as u16)),
            Kind::U32 | Kind::I32 => column.i32(value as i32),
            Kind::F64 => column.f64(value as f64 / 7.0),
            Kind::Bool => column.bool(value % 2 == 0),
            Kind::Text => column.text(text(&value.to_string())),
        }
    }

    proptest! {
        #[test]
        fn every_row_comes_back_and_a_changed_one_is_found(
            rows in prop::collection::vec((any::<i64>(), any::<bool>()), 1..200),
            changed in any::<prop::sample::Index>(),
        ) {
            let written = frame(&rows);
            let bytes = encode(&written).unwrap();
            prop_assert_eq!(&bytes, &encode(&written).unwrap(), "the same frame gives the same bytes");
            let read = decode(Path::new("here"), bytes).unwrap();
            prop_assert_eq!(Compared::new(written).compare(&mut Compared::new(read.clone())), Ok(rows.len()));

            let at = changed.index(rows.len());
            let mut other = rows.clone();
            other[at].0 ^= 1 << 20;
            let found = Compared::new(read).compare(&mut Compared::new(frame(&other)));
            prop_assert_eq!(found.unwrap_err().1, at);
        }
    }

    #[test]
    fn doubles_of_few_values_come_back_whatever_their_pages_hold() {
        // Three pages: few values, then more than a byte can number, then only nulls, as a board that lost a channel.
        let rows = 3 * 8_192;
        let value = |row: usize| match row / 8_192 {
            0 => Some((row % 7) as f64 / 10.0),
            1 if !row.is_multiple_of(5) => Some((row % 700) as f64 / 100.0),
            _ => None,
        };
        let mut written = Frame::new(vec![
            Column::optional("case", Kind::F64, 0),
            Column::required("valid", Kind::F64),
            Column::optional("dome", Kind::F64, rows),
        ]);
        for row in 0..rows {
            let [case, valid, _] = written.columns.as_mut_slice() else {
                panic!("three columns");
            };
            match value(row) {
                Some(value) => case.f64(value),
                None => case.null(),
            }
            valid.f64(if row == 9 { -0.0 } else { 0.0 });
            written.rows += 1;
        }
        let bytes = encode(&written).unwrap();
        assert!(bytes.len() < rows, "{} bytes", bytes.len());
        let read = decode(Path::new("here"), bytes).unwrap();
        let compared = Compared::new(written).compare(&mut Compared::new(read));
        assert_eq!(compared, Ok(rows));
    }

    #[test]
    fn what_is_not_one_of_our_files_is_an_error_that_names_it() {
        let good = encode(&frame(&[(1, false)])).unwrap();
        for bytes in [
            b"".to_vec(),
            b"PAR1".to_vec(),
            good[..good.len() - 1].to_vec(),
            good[1..].to_vec(),
        ] {
            let error = decode(Path::new("cycles/unit=freezer/000001.parquet"), bytes).unwrap_err();
            assert!(
                error
                    .to_string()
                    .starts_with("cycles/unit=freezer/000001.parquet: "),
                "{error}"
            );
        }
    }
}
