//! Task sheets through the whole program: each that comes with the client can be used and loaded again, and a sheet that is changed says
//! which machines it changes.

use fettler_tests::service::Service;
use std::fs;

const SHOP: &str = r#"people = ["Ada Kern"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "M-1"

[[machine]]
tag = "M-2"

[[machine.meter]]
kind = "loaded"
"#;

fn shop() -> Service {
    Service::with_shop(SHOP)
}

/// The names of the sheets there are.
fn names(service: &Service) -> Vec<String> {
    let csv = service.fettler(&["sheet", "list", "--output", "csv"]).done();
    csv.lines().skip(1).filter_map(|line| line.split(',').next()).map(str::to_owned).collect()
}

#[test]
fn every_sheet_is_taken_by_a_service_and_stands_as_it_was_loaded() {
    for name in names(&shop()) {
        let service = shop();
        let told = service.fettler(&["sheet", "use", &name, "M-1", "--dry-run", "--output", "csv"]).done();
        let has_tasks = name != "start-up";
        assert!(
            told.contains("task M-1 ") == has_tasks && told.contains(&format!("sheet {name},")),
            "{name}:\n{told}"
        );
        assert!(
            !service.fettler(&["shop", "show"]).done().contains("[[sheet]]"),
            "a dry run changes nothing"
        );
        let used = service.fettler(&["sheet", "use", &name, "M-1", "--done-now", "--by", "Ada Kern"]).done();
        assert!(
            used.contains("work orders opened") == has_tasks && used.contains("manual overrides every line"),
            "{used}"
        );
        let again = service.fettler(&["sheet", "use", &name, "M-1"]).done();
        assert!(again.starts_with("nothing changes"), "{name}:\n{again}");
        // The file it prints declares the same, once a site and a machine stand in it.
        let file = service.fettler(&["sheet", "show", &name]).done();
        let file = file.replace("\"SITE\"", "\"north\"").replace("\"MACHINE\"", "\"M-1\"");
        fs::write(service.data().join("sheet.toml"), file).expect("a file");
        let loaded = service.fettler(&["shop", "load", "sheet.toml", "--output", "csv"]).done();
        assert_eq!(
            loaded.lines().skip(1).filter(|line| !line.contains("family")).count(),
            0,
            "{name}:\n{loaded}"
        );
        assert!(service.fettler(&["round", "--list"]).done().contains("checks done"), "{name}");
    }
}

#[test]
fn a_machine_that_counts_by_another_meter_gets_a_sheet_of_its_own() {
    let service = shop();
    let told = service.fettler(&["sheet", "use", "compressor", "M-2", "--by", "Ada Kern"]).done();
    assert!(told.contains("counted by the meter `loaded`"), "{told}");
    let shown = service.fettler(&["shop", "show"]).done();
    assert!(shown.contains("key = \"compressor-loaded\"") && shown.contains("h loaded"), "{shown}");
}

#[test]
fn the_sheet_that_documents_try_is_taken_beside_what_the_machine_has() {
    // The shop of the documents has a sheet `lathe` of its own; another has one task of the shipped sheet in another one.
    let example = include_str!("../../docs/example/shop.toml");
    let cutting = "\n[[sheet]]\nkey = \"cutting\"\ntitle = \"Cutting\"\n[[sheet.task]]\nkey = \"stops\"\n\
        title = \"Stops\"\nevery = \"30 days\"\n\n[[machine]]\ntag = \"L-03\"\nsheets = [\"cutting\"]\n";
    for (shop, tasks) in [(example.to_owned(), 27), (format!("{}{cutting}", SHOP.trim_end()), 26)] {
        let service = Service::with_shop(&shop);
        let give =
            |more: &[&str]| service.fettler(&[&["sheet", "use", "lathe", "L-03"], more].concat()).done();
        let told = give(&["--dry-run", "--output", "csv"]);
        assert_eq!(told.matches("task L-03 ").count(), tasks, "{told}");
        give(&["--done-now", "--by", "Ada Kern"]);
        assert!(give(&[]).starts_with("nothing changes"), "it is the same sheet the second time");
        assert!(service.fettler(&["shop", "show"]).done().contains("key = \"lathe-L-03\""));
    }
}

#[test]
fn a_sheet_that_is_changed_says_which_machines_it_changes() {
    let service = shop();
    for machine in ["M-1", "M-2"] {
        service.fettler(&["sheet", "use", "chiller", machine, "--done-now"]).done();
    }
    let shown = service.fettler(&["shop", "show"]).done();
    assert!(
        shown.contains("sheets = [\"chiller\"]") && shown.contains("sheets = [\"chiller-loaded\"]"),
        "{shown}"
    );
    let changed = "[site]\nkey = \"north\"\n[[sheet]]\nkey = \"chiller\"\ntitle = \"Care of a chiller\"\n\
        [[sheet.task]]\nkey = \"fluid\"\ntitle = \"Change the fluid\"\nevery = \"6 months\"\n\
        [[sheet.check]]\nkey = \"level\"\ntitle = \"Level of the fluid\"\nevery = \"first of the day\"\n";
    fs::write(service.data().join("changed.toml"), changed).expect("a file");
    let load = |more: &[&str]| {
        service.fettler(&[&["shop", "load", "changed.toml", "--output", "csv"], more].concat()).done()
    };
    let dry = load(&["--dry-run"]);
    assert!(dry.contains("task M-1 fluid,") && dry.contains("every 12 months -> every 6 months"), "{dry}");
    assert!(!dry.contains("task M-2"), "it has a sheet of its own:\n{dry}");
    assert!(dry.contains("checks changed (1 new, 1 gone); walked on M-1"), "{dry}");
    assert_eq!(load(&[]), dry, "what was shown is what is done");
    assert_eq!(load(&[]).lines().count(), 1, "loading it twice changes nothing");
}
