//! `fettler calc` as a person or a program runs it: every family of check values through `--csv`, compared by column;
//! rows that cannot be computed; flags; the examples of the documents.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// What a run of the client gave.
#[derive(Debug)]
struct Ran {
    code: Option<i32>,
    stdout: String,
    stderr: String,
}

fn finish(mut command: Command, input: Option<&str>) -> Ran {
    command.env_clear().stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("the client starts");
    // A client that has read enough closes its end, which is no fault of the test.
    let _ = child.stdin.take().expect("a pipe").write_all(input.unwrap_or_default().as_bytes());
    let output = child.wait_with_output().expect("the client ends");
    Ran {
        code: output.status.code(),
        stdout: String::from_utf8(output.stdout).expect("UTF-8"),
        stderr: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}

fn calc(args: &[&str]) -> Ran {
    calc_with(args, None)
}

fn calc_with(args: &[&str], input: Option<&str>) -> Ran {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fettler"));
    command.arg("calc").args(args);
    finish(command, input)
}

/// The folder of the check values.
fn vectors() -> PathBuf {
    std::env::var_os("FETTLER_VECTORS").map_or_else(
        || PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/vectors")),
        PathBuf::from,
    )
}

type Line = BTreeMap<String, String>;

fn lines(text: &str) -> Vec<Line> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
    reader.deserialize().collect::<Result<_, _>>().expect("rows of texts")
}

/// A family: its name, the columns that the calculator gives, and how near numbers must come, as the file states or,
/// where it states nothing, as far as its digits go.
const FAMILIES: [(&str, &str, f64); 25] = [
    ("saturation", "pws_hw_pa pws_magnus_pa rho_hw_g_m3 phase", 1e-6),
    (
        "condensate",
        "m_dry_air_kg_h w1_g_kg w2_g_kg cond_hw_g_h cond_simple_g_h cond_ml_h hours_to_full",
        1e-6,
    ),
    ("condensate_intake", "m_dry_air_kg_h w_amb_g_kg w_sat_line_g_kg cond_hw_g_h vapour_left_g_h", 1e-6),
    ("pressure_flow", "p_gauge_psi p_gauge_mpa q_line_l_min q_n_l_min_din1343 q_anr_m3_h scfm_60f", 1e-6),
    ("leak", "regime mdot_kg_h q_anr_l_min power_kw kwh_per_year cost_per_year", 1e-5),
    ("leak_tests", "leak_pct leak_anr_l_min", 1e-6),
    ("air_purity_8573", "particle_class water_class oil_class designation", 0.0),
    ("iso4406", "code", 0.0),
    (
        "lube_reservoir",
        "shot_ml pulses_h ml_h ml_day run_h_to_min days_to_min act_in_days refill_l whole_packs_fit full_cycle_days",
        1e-6,
    ),
    ("iso_vg_grade", "grade band_min band_max next_lower next_higher", 1e-6),
    ("viscosity_d341", "a b nu_simple nu_full nu_bisect", 1e-6),
    // The index within 1, as the file states, but L and H to their digits.
    ("viscosity_index_d2270", "L H procedure vi vi_rounded", 1e-5),
    ("grease", "grease_g tf_70c_h f_temp interval_h", 1e-6),
    ("coolant_correction", "c0_pct drain_l concentrate_l water_l makeup_pct mix_ratio", 1e-6),
    ("coolant_adjust", "case add_only_l swap_l water_only_l", 1e-6),
    ("coolant_makeup", "makeup_pct makeup_l concentrate_l water_l cycles", 1e-6),
    ("coolant_limits", "verdict", 0.0),
    ("alligation", "parts_high parts_low high_l low_l", 1e-6),
    ("salt_buildup", "c_discrete_mg_l c_continuous_mg_l cycles c_steady_mg_l days_to_limit", 1e-6),
    ("eoq", "eoq cost_year pack_qty cost_at_pack_qty cycle_days", 1e-6),
    ("reorder_point", "z sigma_dlt safety_stock rop rop_ceil esc fill_rate", 1e-6),
    ("periodic_review", "safety_stock order_up_to need order_qty", 1e-6),
    ("sS_newsvendor", "s_small S_big newsvendor_S newsvendor_cost critical_ratio", 1e-6),
    ("netting", "planned_receipts planned_releases late_release projected_on_hand", 1e-6),
    ("shelf_life_fefo", "used_per_lot expired_per_lot cover_days max_order", 1e-6),
];

/// Whether two cells say the same: words equally, numbers and lists of numbers within a tolerance.
fn agree(found: &str, expect: &str, tolerance: f64) -> bool {
    let (found, expect): (Vec<&str>, Vec<&str>) = (found.split(';').collect(), expect.split(';').collect());
    let near = |found: &str, expect: &str| match (found.parse::<f64>(), expect.parse::<f64>()) {
        (Ok(found), Ok(expect)) => (found - expect).abs() <= tolerance * expect.abs().max(1e-3),
        _ => found == expect,
    };
    found.len() == expect.len() && found.iter().zip(&expect).all(|(found, expect)| near(found, expect))
}

fn check_family(folder: &Path, family: &str, columns: &str, tolerance: f64) {
    let path = folder.join(format!("{family}.csv"));
    let expected =
        lines(&std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display())));
    assert!(!expected.is_empty(), "{family} has no rows");
    let ran = calc(&[family, "--csv", path.to_str().expect("a path")]);
    assert_eq!(ran.code, Some(0), "{family}: {}", ran.stderr);
    let header = format!("id,{}", columns.replace(' ', ","));
    assert_eq!(ran.stdout.lines().next(), Some(header.as_str()), "{family}");
    let found = lines(&ran.stdout);
    assert_eq!(found.len(), expected.len(), "{family}");
    for (found, expected) in found.iter().zip(&expected) {
        assert_eq!(found["id"], expected["id"], "{family}");
        for column in columns.split(' ') {
            let (found, expect) = (&found[column], &expected[column]);
            assert!(
                agree(found, expect, tolerance),
                "{}: {column} is `{found}` instead of `{expect}`",
                expected["id"]
            );
        }
    }
}

#[test]
fn every_family_through_csv() {
    for (family, columns, tolerance) in FAMILIES {
        check_family(&vectors(), family, columns, tolerance);
    }
}

#[test]
fn the_families_are_the_calculators() {
    let ran = calc(&["--output", "csv"]);
    let mut listed: Vec<String> =
        lines(&ran.stdout).into_iter().map(|line| line["calculator"].clone()).collect();
    let mut families: Vec<&str> = FAMILIES.iter().map(|(family, ..)| *family).collect();
    listed.sort();
    families.sort_unstable();
    assert_eq!(listed, families);
}

#[test]
fn agreeing_is_no_matter_of_course() {
    assert!(agree("46;51", "46;51", 1e-6) && agree("0", "8.9e-15", 1e-6) && agree("X", "X", 0.0));
    for (found, expect) in [("46;51", "46"), ("1.00001", "1"), ("", "0"), ("0", ""), ("[1:2:3]", "[1:2:4]")] {
        assert!(!agree(found, expect, 1e-6), "{found} {expect}");
    }
}

/// The same by flags: a row of each family, typed.
#[test]
fn every_family_by_flags() {
    for (family, columns, tolerance) in FAMILIES {
        let text = std::fs::read_to_string(vectors().join(format!("{family}.csv"))).expect("a family");
        let expected = lines(&text).remove(0);
        let help = calc(&[family, "--help"]).stdout;
        let mut args = vec![family.to_owned(), "--output".into(), "csv".into()];
        for (column, value) in &expected {
            let flag = format!("--{}", column.replace('_', "-"));
            if !value.is_empty() && help.contains(&format!("{flag} <")) {
                args.extend([flag, value.clone()]);
            }
        }
        let ran = calc(&args.iter().map(String::as_str).collect::<Vec<_>>());
        assert_eq!(ran.code, Some(0), "{args:?}: {}", ran.stderr);
        let found = lines(&ran.stdout).remove(0);
        for column in columns.split(' ') {
            assert!(agree(&found[column], &expected[column], tolerance), "{args:?}: {column} {found:?}");
        }
    }
}

const ROWS: &str = "# a comment\n\
    id,remark,t_amb_c,fad_l_min,rh,p_gauge_bar,t2_c\n\
    good-1,\"a, b\",20,1000,0.65,7,20\n\
    humid,,20,1000,1.2,7,x\n\
    short,,20\n\
    \n\
    empty,,20,,0.65,7,20\n\
    ,,20,1000,0.65,7,70\n\
    \"open,,20,1000,0.65,7,20\n\
    good-2,,20,1000,0.65,7,20\n";

#[test]
fn a_row_that_cannot_be_computed_spoils_no_other() {
    let ran = calc_with(&["condensate_intake", "--csv", "-"], Some(ROWS));
    assert_eq!(ran.code, Some(1));
    let ids: Vec<String> = lines(&ran.stdout).into_iter().map(|line| line["id"].clone()).collect();
    assert_eq!(ids, ["good-1", "8", "good-2"]);
    insta::assert_snapshot!(ran.stderr);
}

#[test]
fn json_has_a_record_for_every_row() {
    let ran = calc_with(&["condensate_intake", "--csv", "-", "--output", "json"], Some(ROWS));
    let records: Vec<serde_json::Value> =
        ran.stdout.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    assert_eq!(records.len(), 7);
    assert_eq!(records[1]["problems"][0]["field"], "rh");
    assert_eq!(records[1]["problems"][0]["value"], "1.2");
    assert!(records[0]["results"]["cond_hw_g_h"].as_f64().expect("a number") > 544.0);
    assert_eq!(records[4]["remarks"].as_array().expect("a list").len(), 1);
    assert_eq!(ran.code, Some(1));
}

#[test]
fn a_flag_stands_for_a_column_that_the_file_lacks() {
    let file = "id,t_amb_c\nwarm,20\ncool,10\n";
    let typed = ["--fad-l-min", "1000", "--rh", "0.65", "--p-gauge-bar", "7", "--t2-c", "20"];
    let ran = calc_with(&[&["condensate_intake", "--csv", "-"], &typed[..]].concat(), Some(file));
    assert_eq!(ran.code, Some(0), "{}", ran.stderr);
    assert!(ran.stderr.lines().all(|line| line.starts_with("caution: ")), "{}", ran.stderr);
    let found = lines(&ran.stdout);
    assert!(agree(&found[0]["cond_hw_g_h"], "544.617852", 1e-6));
    assert_ne!(found[0]["cond_hw_g_h"], found[1]["cond_hw_g_h"]);
    let lacking = calc_with(&["condensate_intake", "--csv", "-"], Some(file));
    assert_eq!(lacking.code, Some(2));
    assert!(lacking.stderr.contains("no column fad_l_min, rh, p_gauge_bar, t2_c; it has: id, t_amb_c"));
    let twice = calc_with(&["saturation", "--csv", "-"], Some("t_c,t_c\n1,2\n"));
    assert!(twice.code == Some(2) && twice.stderr.contains("has the column `t_c` twice"), "{}", twice.stderr);
    let both = calc_with(&["saturation", "--csv", "-", "--t-c", "20"], Some("t_c\n1\n"));
    assert!(both.code == Some(2) && both.stderr.contains("--t-c is given"), "{}", both.stderr);
    for empty in ["", "# only a comment\n"] {
        assert_eq!(calc_with(&["saturation", "--csv", "-"], Some(empty)).code, Some(2));
    }
    assert_eq!(calc(&["saturation", "--csv", "/no/such/file.csv"]).code, Some(2));
}

#[test]
fn what_lies_outside_a_formula_s_range_is_said() {
    let args = ["saturation", "--t-c", "61"];
    let people = calc(&args);
    assert!(people.stdout.contains("REMARKS\n") && people.stdout.contains("is outside -70 to 60 °C"));
    let program = calc(&[&args[..], &["--output", "csv"]].concat());
    assert!(program.stderr.starts_with("remark: ") && program.code == Some(0), "{}", program.stderr);
    let rows = calc_with(&["saturation", "--csv", "-"], Some("id,t_c\na,61\n"));
    assert!(rows.stderr.starts_with("line 2 (a): remark: "), "{}", rows.stderr);
    let beyond = calc(&["saturation", "--t-c", "-101"]);
    assert_eq!((beyond.code, beyond.stdout.as_str()), (Some(2), ""));
    assert!(beyond.stderr.contains("--t-c: "), "{}", beyond.stderr);
}

/// However the answer is read, what can hurt is said once, and what comes before it last.
#[test]
fn cautions_are_told_in_every_form() {
    let typed = ["leak", "--d-mm", "3", "--p-gauge-bar", "6"];
    let json = calc(&[&typed[..], &["--output", "json"]].concat());
    assert_eq!((json.code, json.stderr.as_str()), (Some(0), ""));
    let answer: serde_json::Value = serde_json::from_str(&json.stdout).expect("JSON");
    let told: Vec<String> = answer["cautions"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|one| format!("caution: {one}\n"))
        .collect();
    assert!(told.len() == 3 && told[2].contains("licensed practice come before all this"), "{told:?}");
    let told = told.concat().replace('"', "");
    let one = calc(&[&typed[..], &["--output", "csv"]].concat());
    assert_eq!((one.code, &one.stderr), (Some(0), &told));
    for form in ["csv", "json"] {
        let rows = Some("d_mm,p_gauge_bar\n3,6\n4,6\n");
        let many = calc_with(&["leak", "--csv", "-", "--output", form], rows);
        assert_eq!((many.code, &many.stderr), (Some(0), &told), "{form}");
    }
    let harmless = calc(&["saturation", "--t-c", "20", "--output", "csv"]);
    assert_eq!((harmless.code, harmless.stderr.as_str()), (Some(0), ""));
}

#[test]
fn wrong_inputs_are_told_all_at_once_with_value_and_remedy() {
    let ran = calc(&["condensate_intake", "--rh", "65", "--t-amb-c", "warm", "--t2-c", "-300"]);
    assert_eq!(ran.code, Some(2));
    insta::assert_snapshot!(ran.stderr);
}

/// A test that took no time, and whose pressure rose: what is said is said of the field that it is about.
#[test]
fn a_leak_test_is_refused_by_the_field_that_is_wrong() {
    let refused = |to: &str| {
        let typed = ["--method", "bleed_down", "--volume-l", "270", "--p1-bar-g", "6", "--p2-bar-g", to];
        calc(&[&["leak_tests"], &typed[..], &["--seconds", "0"]].concat()).stderr
    };
    assert!(refused("7").contains("--p2-bar-g: `7` bar(g) at the end is more"), "{}", refused("7"));
    assert!(refused("5").contains("--seconds: `0`: the test took no time"), "{}", refused("5"));
}

#[test]
fn help_shows_every_input_with_its_unit() {
    insta::assert_snapshot!(calc(&["condensate", "--help"]).stdout);
    assert_eq!(calc(&["no_such_calculator"]).code, Some(2));
    assert_eq!(calc(&["coolant-adjust", "--help"]).code, Some(0), "hyphens will do");
}

/// A broken token file or address concerns the service, not the calculators.
#[test]
fn no_service_is_asked() {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fettler"));
    command.args([
        "calc",
        "saturation",
        "--t-c",
        "20",
        "--server",
        "nonsense",
        "--token-file",
        "/no/such/file",
    ]);
    assert_eq!(finish(command, None).code, Some(0));
}

/// The words of a line as a shell gives them.
fn words(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for letter in line.chars() {
        match letter {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            other => words.last_mut().expect("a word").push(other),
        }
    }
    words
}

/// Every example of the document runs, and those that are shown with their answer give it.
#[test]
fn the_documented_examples_run() {
    let text = include_str!("../../docs/cli.md");
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs");
    let mut shown = 0;
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        let Some(line) = line.strip_prefix("fettler calc") else { continue };
        let mut command = Command::new(env!("CARGO_BIN_EXE_fettler"));
        command
            .current_dir(folder)
            .arg("calc")
            .args(words(line.trim()).iter().filter(|word| !word.is_empty()));
        let ran = finish(command, None);
        assert_eq!(ran.code, Some(0), "{line}: {}", ran.stderr);
        if !lines.clone().take(2).eq(["```", ""]) {
            continue;
        }
        let mut rest = lines.clone().skip(2);
        if rest.next() == Some("```text") {
            let answer: Vec<&str> = rest.take_while(|line| *line != "```").collect();
            assert_eq!(ran.stdout.trim_end(), answer.join("\n"), "{line}");
            shown += 1;
        }
    }
    assert!(shown >= 2, "{shown}");
}
