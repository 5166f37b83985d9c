//! A table's columns as Parquet and Arrow know them, with each column's unit and meaning in the Arrow field's metadata.
//!
//! Encodes no value.

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use arrow_schema::{DataType, Field, Schema};
use parquet::arrow::add_encoded_arrow_schema_to_metadata;
use parquet::basic::{LogicalType, Repetition, Type as Physical};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{WriterProperties, WriterPropertiesPtr};
use parquet::schema::types::{SchemaDescPtr, SchemaDescriptor, Type, TypePtr};

use super::StoreError;
use crate::schema::{Column, ColumnKind, SCHEMA_VERSION, Table};

/// Compression of every column; other levels have not been measured here.
pub(super) const ZSTD_LEVEL: i32 = 1;

/// What a Parquet file of a table is made with.
#[derive(Clone)]
pub(super) struct FileSchema {
    pub table: Table,
    pub root: TypePtr,
    pub columns: SchemaDescPtr,
    pub properties: WriterPropertiesPtr,
}

impl FileSchema {
    /// For a table of the run that lives in `run_folder`.
    pub fn new(table: Table, run_folder: &Path) -> Result<Self, StoreError> {
        let run = run_folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let run = run.strip_prefix("run=").unwrap_or(&run).to_owned();
        let path = run_folder.join(&table.folder);
        Self::named(table, &path, vec![("schema_version", SCHEMA_VERSION.to_string())], vec![("run", run)])
    }

    /// For a table that is told of by more than its own name and meaning: `before` and `about`.
    pub fn named(
        table: Table,
        path: &Path,
        before: Vec<(&str, String)>,
        about: Vec<(&str, String)>,
    ) -> Result<Self, StoreError> {
        let names: std::collections::BTreeSet<&str> = table.columns.iter().map(|column| &*column.name).collect();
        if names.len() != table.columns.len() {
            return Err(StoreError::refused(path, "two columns have one name"));
        }
        let failed = |error: ParquetError| StoreError::refused(path, format!("no such table can be written: {error}"));
        let fields = table.columns.iter().map(parquet_field).collect::<Result<_, _>>().map_err(failed)?;
        let root = Type::group_type_builder("schema").with_fields(fields).build().map_err(failed)?;
        let root = Arc::new(root);
        let mut key_values = before;
        key_values.push(("table", table.folder.clone()));
        key_values.extend(about);
        key_values.push(("meaning", table.meaning.clone()));
        let mut properties = WriterProperties::builder()
            .set_created_by(format!("drawdown {}", env!("CARGO_PKG_VERSION")))
            .set_offset_index_disabled(true)
            .set_key_value_metadata(Some(
                key_values.into_iter().map(|(key, value)| KeyValue { key: key.into(), value: Some(value) }).collect(),
            ))
            .build();
        let fields: Vec<Field> = table.columns.iter().map(arrow_field).collect();
        add_encoded_arrow_schema_to_metadata(&Schema::new(fields), &mut properties);
        Ok(Self {
            table,
            columns: Arc::new(SchemaDescriptor::new(root.clone())),
            root,
            properties: Arc::new(properties),
        })
    }
}

fn parquet_field(column: &Column) -> Result<TypePtr, ParquetError> {
    let repetition = if column.nullable { Repetition::OPTIONAL } else { Repetition::REQUIRED };
    let (physical, logical) = match column.kind {
        ColumnKind::Time => (Physical::INT64, None),
        ColumnKind::Float => (Physical::DOUBLE, None),
        ColumnKind::Integer => (Physical::INT32, None),
        ColumnKind::Name | ColumnKind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        ColumnKind::Bytes8 => (Physical::FIXED_LEN_BYTE_ARRAY, None),
        ColumnKind::Bytes => (Physical::BYTE_ARRAY, None),
    };
    let field = Type::primitive_type_builder(&column.name, physical);
    let length = if column.kind == ColumnKind::Bytes8 { 8 } else { -1 };
    Ok(Arc::new(field.with_repetition(repetition).with_logical_type(logical).with_length(length).build()?))
}

fn arrow_field(column: &Column) -> Field {
    let kind = match column.kind {
        ColumnKind::Time => DataType::Int64,
        ColumnKind::Float => DataType::Float64,
        ColumnKind::Integer => DataType::Int32,
        ColumnKind::Name | ColumnKind::Text => DataType::Utf8,
        ColumnKind::Bytes8 => DataType::FixedSizeBinary(8),
        ColumnKind::Bytes => DataType::Binary,
    };
    let metadata =
        HashMap::from([("unit".to_owned(), column.unit.clone()), ("meaning".to_owned(), column.meaning.clone())]);
    Field::new(&column.name, kind, column.nullable).with_metadata(metadata)
}
