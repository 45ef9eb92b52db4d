//! The load tool measures what it says it does, on both engines; how much is no matter of a test. It checks by itself that as many
//! reports are duplicates and held as its faults make.

use fettler_tests::programs::program;
use std::process::Command;

fn load(arguments: &[&str]) -> Vec<Vec<String>> {
    let output =
        Command::new(program("load")).args(arguments).args(["--output", "csv"]).output().expect("it starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    let mut rows = csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
    rows.records().map(|row| row.expect("a row").iter().map(str::to_owned).collect()).collect()
}

fn is_positive(cell: &str) -> bool {
    cell.parse::<f64>().is_ok_and(|value| value.is_finite() && value > 0.0)
}

fn measures(engine: &str, rows_expected: usize) {
    let small = ["--machines", "10", "--reports", "400", "--connections", "2", "--runs", "1", "--pages", "3"];
    let rows = load(&[&["--engine", engine], small.as_slice()].concat());
    assert_eq!(rows.len(), 1 + rows_expected, "{rows:?}");
    for row in &rows[1..] {
        // Computing is counted in hundredths of a second: so few reports may take none.
        let may_be_none = row[0].contains("computing");
        assert!(may_be_none || row[2..].iter().all(|cell| is_positive(cell)), "{row:?}");
    }
    for what in ["reports pushed at half that rate", "floor: the database alone, by sqlx"] {
        assert!(rows.iter().any(|row| row[0] == what), "{what} is measured");
    }
}

#[test]
fn a_file_is_measured_beside_its_floors() {
    measures("sqlite", 23);
}

#[test]
fn a_database_is_measured_beside_its_floors() {
    measures("postgres", 24);
}

#[test]
fn a_shop_that_grows_is_measured_at_each_step() {
    let rows = load(&["--growth", "--tasks", "60,120", "--pages", "3"]);
    let tasks: Vec<&str> = rows.iter().map(|row| row[0].as_str()).collect();
    assert_eq!(tasks, ["open tasks", "60", "120"]);
    assert!(rows[1..].iter().flatten().all(|cell| is_positive(cell)), "{rows:?}");
}
