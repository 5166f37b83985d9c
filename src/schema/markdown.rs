//! The column tables of `docs/data-set.md`, made from the schema.
//!
//! `UPDATE_DOCS=1 cargo test schema::markdown` writes them into the page; without it the test holds the two equal.
//!
//! Reads and writes no file outside its test.

use super::tables;
use super::{ColumnKind, Table};

/// A table's columns as a Markdown table.
pub fn columns(table: &Table) -> String {
    let mut text =
        format!("A row is {}.\n\n| column | type | unit | meaning |\n| --- | --- | --- | --- |\n", table.meaning);
    for column in &table.columns {
        let null = if column.nullable { ", may be null" } else { "" };
        let (name, kind) = (&column.name, kind(column.kind));
        text += &format!("| `{name}` | {kind}{null} | {} | {} |\n", column.unit, column.meaning);
    }
    text
}

/// A kind's Arrow type.
fn kind(kind: ColumnKind) -> &'static str {
    match kind {
        ColumnKind::Time => "int64",
        ColumnKind::Float => "double",
        ColumnKind::Integer => "int32",
        ColumnKind::Name | ColumnKind::Text => "string",
        ColumnKind::Bytes8 => "fixed binary(8)",
        ColumnKind::Bytes => "binary",
    }
}

/// Every table that `docs/data-set.md` shows, the samples by an example.
pub fn shown() -> Vec<Table> {
    let example = [("Signal", "as the map writes it", "as the map or its DBC says; one column a signal")];
    vec![
        tables::frames(),
        tables::samples("NAME", example),
        tables::trace(),
        tables::fixes(),
        tables::polls(),
        tables::supply(),
        tables::marks(),
        tables::way(),
    ]
}

/// A page with the part between each `<!-- columns: FOLDER -->` and `<!-- end -->` replaced by that table's columns.
pub fn fill(page: &str) -> String {
    let mut out = String::new();
    let mut rest = page;
    for table in shown() {
        let begin = format!("<!-- columns: {} -->\n", table.folder);
        let Some((before, after)) = rest.split_once(&begin) else { continue };
        let end = after.find("<!-- end -->").unwrap_or(after.len());
        out += before;
        out += &begin;
        out += &columns(&table);
        rest = &after[end..];
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_equals_the_schema() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/data-set.md");
        let page = std::fs::read_to_string(path).unwrap();
        for table in shown() {
            assert!(page.contains(&format!("<!-- columns: {} -->", table.folder)), "{} is not shown", table.folder);
        }
        let filled = fill(&page);
        if std::env::var_os("UPDATE_DOCS").is_some() {
            std::fs::write(path, &filled).unwrap();
            return;
        }
        assert!(page == filled, "run `UPDATE_DOCS=1 cargo test schema::markdown` and commit docs/data-set.md");
    }
}
