//! Tables as Parquet: columns with a schema, compressed by Snappy, in row groups.

use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;

use super::{Cell, ColumnType, ExportColumn, Sink};

/// Rows held back before they are written as a group: some twenty megabytes at most.
const GROUP: usize = 65_536;

/// A column's values of the current group.
enum ColumnBuffer {
    Whole(Vec<i64>),
    Number(Vec<f64>),
    Flag(Vec<bool>),
    Words(Vec<ByteArray>),
}

struct RowGroup {
    values: ColumnBuffer,
    /// 1 where there is a value, 0 where there is nothing.
    there: Vec<i16>,
    optional: bool,
}

pub(super) struct Parquet<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    held: Vec<RowGroup>,
    rows: usize,
}

impl<W: Write + Send> Parquet<W> {
    pub(super) fn new(to: W, columns: &[ExportColumn]) -> io::Result<Self> {
        let fields = columns.iter().map(field).collect::<Result<Vec<_>, _>>().map_err(failed)?;
        let schema = Type::group_type_builder("seathold").with_fields(fields).build().map_err(failed)?;
        let properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_created_by(format!("seathold {} (seathold table)", env!("CARGO_PKG_VERSION")))
            .build();
        let writer = SerializedFileWriter::new(to, Arc::new(schema), Arc::new(properties)).map_err(failed)?;
        let held = columns.iter().map(|column| RowGroup {
            values: match column.kind {
                ColumnType::Whole | ColumnType::Moment => ColumnBuffer::Whole(Vec::new()),
                ColumnType::Number => ColumnBuffer::Number(Vec::new()),
                ColumnType::Flag => ColumnBuffer::Flag(Vec::new()),
                ColumnType::Words => ColumnBuffer::Words(Vec::new()),
            },
            there: Vec::new(),
            optional: column.optional,
        });
        Ok(Self { writer, held: held.collect(), rows: 0 })
    }

    fn write_group(&mut self) -> Result<(), ParquetError> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        for held in &mut self.held {
            let Some(mut column) = group.next_column()? else { break };
            let there = held.optional.then_some(held.there.as_slice());
            match &mut held.values {
                ColumnBuffer::Whole(values) => {
                    column.typed::<Int64Type>().write_batch(values, there, None)?;
                    values.clear();
                }
                ColumnBuffer::Number(values) => {
                    column.typed::<DoubleType>().write_batch(values, there, None)?;
                    values.clear();
                }
                ColumnBuffer::Flag(values) => {
                    column.typed::<BoolType>().write_batch(values, there, None)?;
                    values.clear();
                }
                ColumnBuffer::Words(values) => {
                    column.typed::<ByteArrayType>().write_batch(values, there, None)?;
                    values.clear();
                }
            }
            held.there.clear();
            column.close()?;
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }
}

impl<W: Write + Send> Sink for Parquet<W> {
    fn row(&mut self, cells: &[Cell]) -> io::Result<()> {
        for (held, cell) in self.held.iter_mut().zip(cells) {
            match (&mut held.values, cell) {
                (_, Cell::Nothing) if held.optional => {}
                (ColumnBuffer::Whole(values), Cell::Whole(value) | Cell::Moment(value)) => values.push(*value),
                (ColumnBuffer::Number(values), Cell::Number(value)) => values.push(*value),
                (ColumnBuffer::Flag(values), Cell::Flag(value)) => values.push(*value),
                (ColumnBuffer::Words(values), Cell::Words(value)) => {
                    // Most rows say the same as the one before, and then it is held once.
                    let same = values.last().filter(|last| last.data() == value.as_bytes()).cloned();
                    values.push(same.unwrap_or_else(|| value.as_str().into()));
                }
                _ => return Err(io::Error::new(io::ErrorKind::InvalidData, "a value does not fit its column")),
            }
            held.there.push((*cell != Cell::Nothing).into());
        }
        self.rows += 1;
        if self.rows >= GROUP { self.write_group().map_err(failed) } else { Ok(()) }
    }

    fn finish(mut self: Box<Self>) -> io::Result<()> {
        self.write_group().map_err(failed)?;
        let mut file = self.writer.into_inner().map_err(failed)?;
        file.flush()
    }
}

fn field(column: &ExportColumn) -> Result<Arc<Type>, ParquetError> {
    let (physical, logical) = match column.kind {
        ColumnType::Whole => (Physical::INT64, None),
        ColumnType::Number => (Physical::DOUBLE, None),
        ColumnType::Flag => (Physical::BOOLEAN, None),
        ColumnType::Words => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        ColumnType::Moment => {
            let unit = TimeUnit::MICROS;
            (Physical::INT64, Some(LogicalType::timestamp(true, unit)))
        }
    };
    let repetition = if column.optional { Repetition::OPTIONAL } else { Repetition::REQUIRED };
    let builder = Type::primitive_type_builder(column.name, physical);
    builder.with_repetition(repetition).with_logical_type(logical).build().map(Arc::new)
}

fn failed(why: ParquetError) -> io::Error {
    match why {
        ParquetError::External(why) => match why.downcast::<io::Error>() {
            Ok(why) => *why,
            Err(why) => io::Error::other(why),
        },
        why => io::Error::other(why),
    }
}
