//! Backups while others write, restores of them, and how a journal that was restored is told from the one that it was.

use fettler_pg::Cluster;
use fettler_tests::client::{Ran, fettler};
use fettler_tests::oracle;
use fettler_tests::programs::program;
use fettler_tests::service::Service;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use tempfile::TempDir;

/// A site with four machines, one for each writer.
fn shop() -> String {
    let mut shop =
        "people = [\"Ada Kern\"]\n\n[site]\nkey = \"north\"\nzone = \"Europe/Berlin\"\n".to_owned();
    for n in 1..=WRITERS {
        let _ = write!(
            shop,
            "\n[[machine]]\ntag = \"L-{n}\"\n\n[[machine.meter]]\nkind = \"operating\"\n\n[[machine.task]]\nkey = \"bowl\"\n\
             title = \"Drain the condensate bowl\"\nevery = \"60 h operating\"\n"
        );
    }
    shop
}

/// How many push at once.
const WRITERS: u32 = 4;
/// Reports of one push.
const AT_ONCE: u32 = 10;

fn started(arguments: &[&str]) -> Service {
    let service = Service::start_with(arguments);
    fs::write(service.data().join("shop.toml"), shop()).expect("a file");
    service.fettler(&["shop", "load", "shop.toml", "--by", "Ada Kern"]).done();
    service
}

/// The n-th push of a writer: half an hour of each of ten hours.
fn rows(writer: u32, push: u32) -> String {
    let mut rows = "machine,report_id,start,end,hours\n".to_owned();
    for n in push * AT_ONCE..(push + 1) * AT_ONCE {
        let at = format!("2026-{:02}-{:02}T{:02}", 1 + n / 672, 1 + n % 672 / 24, n % 24);
        let _ = writeln!(rows, "L-{writer},R-{n},{at}:00:00Z,{at}:30:00Z,0.5");
    }
    rows
}

/// Pushes as one of the sources that there are; everything is acknowledged.
fn push(service: &Service, writer: u32, which: u32) -> String {
    push_to((service.endpoint(), service.data()), writer, which)
}

fn push_to((endpoint, data): (&str, &Path), writer: u32, which: u32) -> String {
    let source = format!("erp-{writer}");
    let arguments = ["hours", "push", "-", "--source", &source];
    fettler(endpoint, data, &arguments, rows(writer, which).as_bytes()).done()
}

/// Pushes by four writers from their n-th push on while something is done, and once more after it; gives how many pushes each
/// had acknowledged.
fn while_four_push(service: &Service, from: u32, work: impl FnOnce()) -> Vec<u32> {
    let (over, begun) = (AtomicBool::new(false), AtomicU32::new(0));
    let place = (service.endpoint(), service.data());
    std::thread::scope(|scope| {
        let writers: Vec<_> = (1..=WRITERS)
            .map(|writer| {
                let (over, begun) = (&over, &begun);
                scope.spawn(move || {
                    let mut next = from;
                    loop {
                        let last = over.load(Ordering::SeqCst);
                        push_to(place, writer, next);
                        next += 1;
                        begun.fetch_add(1, Ordering::SeqCst);
                        if last {
                            return next;
                        }
                    }
                })
            })
            .collect();
        while begun.load(Ordering::SeqCst) < WRITERS {
            std::thread::yield_now();
        }
        work();
        over.store(true, Ordering::SeqCst);
        writers.into_iter().map(|writer| writer.join().expect("it pushes")).collect()
    })
}

/// Runs `fettlerd` as an administrator would.
fn fettlerd(arguments: &[&str]) -> Ran {
    let output = Command::new(program("fettlerd")).args(arguments).env_clear().output().expect("it runs");
    Ran {
        code: output.status.code().expect("it ends by itself"),
        stdout: String::from_utf8(output.stdout).expect("UTF-8"),
        stderr: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

/// Keeps what a command prints.
fn keep(service: &Service, arguments: &[&str], folder: &Path, name: &str) -> String {
    let path = folder.join(name);
    fs::write(&path, service.fettler(arguments).done()).expect("a file");
    text(&path).to_owned()
}

/// Serves a restored folder with the token and the key of the one that was lost.
fn served(restored: TempDir, lost: &Path) -> Service {
    for name in ["admin.token", "journal.key"] {
        fs::copy(lost.join(name), restored.path().join(name)).expect("a copy");
    }
    Service::start_on(restored, &[])
}

fn empty() -> TempDir {
    tempfile::tempdir().expect("a folder")
}

/// All files below a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path());
    entries.flat_map(|path| if path.is_dir() { files(&path) } else { vec![path] }).collect()
}

#[cfg(unix)]
fn is_private(folder: &Path) {
    use std::os::unix::fs::PermissionsExt as _;
    let mode = |path: &Path| fs::metadata(path).expect("there").permissions().mode() & 0o777;
    assert_eq!(mode(folder), 0o700);
    for file in files(folder) {
        assert_eq!(mode(&file), 0o600, "{}", file.display());
    }
}

#[test]
fn a_backup_under_load_is_restored_into_a_lineage_that_is_told_from_the_one_it_was() {
    let mut service = started(&[]);
    let kept = empty();
    let (kept, backup) = (kept.path(), kept.path().join("backup"));
    let data = service.data().to_owned();
    let key = keep(&service, &["journal", "key"], kept, "shop.key");
    push(&service, 1, 0);
    let early = keep(&service, &["journal", "checkpoint"], kept, "early.txt");

    let pushed = while_four_push(&service, 1, || {
        let made = fettlerd(&["backup", text(&backup), "--data", text(&data)]).done();
        assert!(made.contains("the signing key is not in it"), "{made}");
    });
    is_private(&backup);
    let names: Vec<PathBuf> = files(&backup);
    assert!(names.iter().all(|name| !name.ends_with("journal.key") && !name.ends_with("admin.token")));
    let again = fettlerd(&["backup", text(&backup), "--data", text(&data)]);
    assert!(again.code == 1 && again.stderr.contains("is not empty"), "{}", again.all());
    // What runs is whole as well, and so is the backup.
    for folder in [&data, &backup] {
        let checked = fettlerd(&["check", text(folder)]);
        assert!(checked.code == 0 && checked.stdout.ends_with("no fault found\n"), "{}", checked.all());
    }
    let late = keep(&service, &["journal", "checkpoint"], kept, "late.txt");
    service.kill();

    let restored = empty();
    let checkpoints = data.join("checkpoints");
    let into = ["--to", text(restored.path()), "--checkpoints", text(&checkpoints)];
    let said = fettlerd(&[&["restore", text(&backup)], &into[..]].concat()).done();
    assert!(said.contains("at least are gone; entry "), "{said}");
    assert!(said.contains("are valid again: look with `fettlerd token list`"), "{said}");
    is_private(restored.path());
    let into_it_again = fettlerd(&["restore", text(&backup), "--to", text(restored.path())]);
    assert!(
        into_it_again.code == 1 && into_it_again.stderr.contains("is not empty"),
        "{}",
        into_it_again.all()
    );

    // It goes on, and what was acknowledged after the backup is pushed again.
    let service = served(restored, &data);
    for (writer, pushes) in (1..).zip(&pushed) {
        (0..*pushes).for_each(|which| drop(push(&service, writer, which)));
    }
    let new = keep(&service, &["journal", "checkpoint"], kept, "new.txt");
    while_four_push(&service, *pushed.iter().max().expect("four"), || ());
    let listed = service.fettler(&["journal", "list", "--kind", "journal.", "--output", "csv"]).done();
    assert!(
        listed.contains("journal restored: from a backup of ") && listed.contains("at least gone"),
        "{listed}"
    );

    let verify = |more: &[&str]| service.fettler(&[&["journal", "verify", "--key", &key], more].concat());
    for kept in [&early, &new] {
        let ran = verify(&["--checkpoint", kept]);
        assert!(ran.code == 0 && ran.stdout.starts_with("whole: "), "{}", ran.all());
        assert!(
            ran.stdout.contains("restored at ") && ran.stdout.contains("it goes on from"),
            "{}",
            ran.all()
        );
    }
    let gone = verify(&["--checkpoint", &late]);
    assert!(gone.code == 1 && gone.stdout.starts_with("RESTORED: "), "{}", gone.all());
    assert!(
        gone.stdout.contains("which is the one that the restore cites; the restore at "),
        "{}",
        gone.all()
    );

    let export = kept.join("north.journal");
    service.fettler(&["journal", "export", text(&export)]).done();
    let of_file = |kept: &[&str]| verify(&[&[text(&export)], kept].concat());
    let ran = of_file(&["--checkpoint", &early, "--checkpoint", &new]);
    assert!(ran.code == 0 && ran.stdout.contains("it goes on from the 2 checkpoints"), "{}", ran.all());
    let ran = of_file(&["--checkpoint", &early, "--checkpoint", &late]);
    assert!(ran.code == 1 && ran.stdout.starts_with("RESTORED: "), "{}", ran.all());
    let own_key = service.fettler(&["journal", "key"]).done().trim().to_owned();
    let ask = json!({"exports": [{"text": fs::read_to_string(&export).expect("a file"), "key": own_key}]});
    let answer: Value =
        serde_json::from_str(&oracle::run("journal.py", &[], &ask.to_string())).expect("JSON");
    assert_eq!(answer["exports"][0]["whole"], true, "{answer}");

    // Checkpoints of the new lineage come first.
    let rows = service.fettler(&["journal", "checkpoints", "--output", "csv"]).done();
    let lineages: Vec<u32> =
        rows.lines().skip(1).filter_map(|row| row.split(',').next()?.parse().ok()).collect();
    assert!(lineages.is_sorted_by(|a, b| a >= b) && lineages.first() > Some(&1), "{rows}");
    assert_eq!(lineages.last(), Some(&1), "{rows}");
    let checked = fettlerd(&["check", text(service.data())]);
    assert_eq!(checked.code, 0, "{}", checked.all());

    a_second_restore_is_a_third_past(&service, &backup, &data, kept);
}

/// The same backup once more: its lineage is neither of those, and knows what the other one held for gone.
fn a_second_restore_is_a_third_past(service: &Service, backup: &Path, lost: &Path, kept: &Path) {
    let (key, new) = (kept.join("shop.key"), kept.join("new.txt"));
    let second = empty();
    let known = service.data().join("checkpoints");
    let into = ["--to", text(second.path()), "--checkpoints", text(&known)];
    fettlerd(&[&["restore", text(backup)], &into[..]].concat()).done();
    let second = served(second, lost);
    let lineage = |service: &Service| {
        let head = service.fettler(&["journal", "head", "--output", "csv"]).done();
        head.lines().nth(1).and_then(|row| row.split(',').next()?.parse::<u32>().ok()).expect("a lineage")
    };
    assert!(lineage(&second) > lineage(service));
    push(&second, 1, 0);
    let ran = second.fettler(&["journal", "verify", "--key", text(&key), "--checkpoint", text(&new)]);
    assert!(ran.code == 1 && ran.stdout.starts_with("RESTORED: "), "{}", ran.all());
    assert!(ran.stdout.contains("of which nothing was kept"), "{}", ran.all());
    let later = keep(&second, &["journal", "checkpoint"], kept, "second.txt");
    let ran = service.fettler(&["journal", "verify", "--key", text(&key), "--checkpoint", &later]);
    assert!(ran.code == 1 && ran.stdout.contains("was set back to before a restore"), "{}", ran.all());
}

#[test]
fn a_backup_that_was_tampered_with_is_refused_with_the_file_named() {
    let mut service = started(&[]);
    push(&service, 1, 0);
    service.fettler(&["journal", "checkpoint"]).done();
    let folder = empty();
    let backup = folder.path().join("backup");
    service.stop();
    fettlerd(&["backup", text(&backup), "--data", text(service.data())]).done();

    let target = folder.path().join("restored");
    let refused = |file: &Path| {
        for arguments in [&["check", text(&backup)][..], &["restore", text(&backup), "--to", text(&target)]] {
            let ran = fettlerd(arguments);
            assert!(ran.code == 1 && ran.stderr.contains(text(file)), "{}: {}", file.display(), ran.all());
        }
        assert!(!target.exists());
        let left: Vec<PathBuf> = files(folder.path());
        assert!(left.iter().all(|file| file.starts_with(&backup)), "{left:?}");
    };
    let all = files(&backup);
    assert!(all.len() >= 3, "{all:?}");
    for file in &all {
        let whole = fs::read(file).expect("a file");
        let mut bent = whole.clone();
        let middle = bent.len() / 2;
        bent[middle] ^= 1;
        for bad in [bent, whole[..whole.len() - 1].to_vec()] {
            // The last byte of a manifest is the end of its line.
            if bad.len() < whole.len() && file.ends_with("manifest.json") {
                continue;
            }
            fs::write(file, bad).expect("written");
            refused(file);
        }
        fs::remove_file(file).expect("gone");
        if file.ends_with("manifest.json") {
            let ran = fettlerd(&["restore", text(&backup), "--to", text(&target)]);
            assert!(ran.code == 1 && ran.stderr.contains(text(file)), "{}", ran.all());
        } else {
            refused(file);
        }
        fs::write(file, whole).expect("back");
    }
    fettlerd(&["restore", text(&backup), "--to", text(&target)]).done();
}

#[test]
fn one_form_of_backup_serves_both_engines() {
    let database = Cluster::shared().empty();
    let service = started(&["--database", &database]);
    push(&service, 2, 0);
    let folder = empty();
    let backup = folder.path().join("backup");
    let place = ["--data", text(service.data()), "--database", &database];
    while_four_push(&service, 1, || {
        fettlerd(&[&["backup", text(&backup)], &place[..]].concat()).done();
    });
    for place in [&[text(&backup)][..], &["--database", &database, text(service.data())]] {
        let checked = fettlerd(&[&["check"], place].concat());
        assert!(checked.code == 0 && checked.stdout.ends_with("no fault found\n"), "{}", checked.all());
    }
    let other = Cluster::shared().empty();
    let said = fettlerd(&["restore", text(&backup), "--to", &other]).done();
    assert!(said.contains("journal of site north: restored at "), "{said}");
    let over = fettlerd(&["restore", text(&backup), "--to", &other]);
    assert!(over.code == 1 && over.stderr.contains("holds data already"), "{}", over.all());
    let into_file = empty();
    fettlerd(&["restore", text(&backup), "--to", text(into_file.path())]).done();

    let second = Service::start_with(&["--database", &other]);
    fs::copy(service.data().join("admin.token"), second.data().join("admin.token")).expect("a copy");
    let third = served(into_file, service.data());
    let hours = |service: &Service| service.fettler(&["machine", "list", "--output", "csv"]).done();
    assert_eq!(hours(&second), hours(&third));
    let checked = fettlerd(&["check", "--database", &other, text(second.data())]);
    assert!(checked.code == 0, "{}", checked.all());
}
