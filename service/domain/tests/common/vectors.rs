//! Check values: files of rows, the source of each in its first line. `FETTLER_VECTORS` names another folder with rows of the
//! same shape.

use std::collections::HashMap;
use std::path::PathBuf;

/// A row: its texts by column.
pub(crate) type Line = HashMap<String, String>;

/// The rows of a family; a family without rows fails.
pub(crate) fn lines(family: &str) -> Vec<Line> {
    let folder = std::env::var_os("FETTLER_VECTORS").map_or_else(
        || PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/vectors")),
        PathBuf::from,
    );
    let path = folder.join(format!("{family}.csv"));
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        // The last texts of some scenarios hold commas that are not quoted.
        .flexible(family == "rule_scenarios")
        .from_path(&path)
        .unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let lines: Vec<Line> = reader.deserialize().collect::<Result<_, _>>().expect("rows of texts");
    assert!(!lines.is_empty(), "{} has no rows", path.display());
    lines
}
