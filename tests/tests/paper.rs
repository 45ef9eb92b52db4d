//! Work on paper through the whole program: pages are printed by a browser, and what came out is read back: its text and its pages by
//! Poppler, its QR codes by a reader that shares nothing with what drew them.

use fettler_tests::client::Ran;
use fettler_tests::programs::program;
use fettler_tests::service::Service;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

const SHOP: &str = r#"people = ["Ada Kern"]

[site]
key = "north"
name = "North hall"
zone = "UTC"

[[sheet]]
key = "care"
title = "Care of a lathe"

[[sheet.check]]
key = "air"
title = "Air pressure at the panel meter"
good = "6 bar"
place = "service unit, outside"
point = "line-air"

[[sheet.check]]
key = "leaks"
title = "Leaks below and behind"
good = "dry"
cautions = ["oil makes people fall: wipe it up at once"]
hazard = true

[[sheet.task]]
key = "bowl"
title = "Empty the condensate bowl"
place = "below the regulator"
every = "2 weeks"
kit = ["bowl gasket: 1"]
cautions = ["close and lock the supply valve, vent to 0 bar and look at the gauge", "wear eye protection"]
readings = ["line-air"]
minutes = 12
hazard = true
certificate = true
second_person = true
"#;

/// The shop with so many machines in two areas, all overdue.
fn shop(machines: usize) -> Service {
    let mut text = SHOP.to_owned();
    for n in 1..=machines {
        let area = if n % 2 == 1 { "hall a" } else { "hall b" };
        let _ = write!(
            text,
            "\n[[machine]]\ntag = \"L-{n:02}\"\nname = \"Lathe <{n}> & more\"\narea = \"{area}\"\nsheets = [\"care\"]\n\
             last_done = {{ bowl = \"2020-01-01\" }}\n\n\
             [[machine.point]]\nkey = \"line-air\"\ntitle = \"line pressure\"\nunit = \"bar\"\nact_below = \"5.5\"\n\
             act_above = \"7\"\nstop_below = \"4\"\npossible = \"0 to 16\"\n"
        );
    }
    Service::with_shop(&text)
}

/// Runs the client where it finds the programs of this machine.
fn with_programs(service: &Service, arguments: &[&str]) -> Ran {
    let data = service.data();
    let ran = Command::new(program("fettler"))
        .args(arguments)
        .env_clear()
        .envs(
            ["PATH", "FETTLER_CHROMIUM"].into_iter().filter_map(|name| Some((name, std::env::var_os(name)?))),
        )
        .env("HOME", data)
        .env("FETTLER_SERVER", service.endpoint())
        .env("FETTLER_DATA", data)
        .current_dir(data)
        .output()
        .expect("the client starts");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    Ran {
        code: ran.status.code().expect("it ends by itself"),
        stdout: text(ran.stdout),
        stderr: text(ran.stderr),
    }
}

/// Makes a PDF of a page.
fn printed(service: &Service, arguments: &[&str]) -> PathBuf {
    let name = format!("{}.pdf", arguments.join("-").replace(['/', ':', '?'], ""));
    let ran = with_programs(service, &[arguments, &["--pdf", &name]].concat());
    assert_eq!((ran.code, ran.stdout.as_str()), (0, ""), "{}", ran.all());
    service.data().join(name)
}

/// What a program of Poppler says of a PDF.
fn poppler(name: &str, arguments: &[&str], pdf: &Path) -> Vec<u8> {
    let ran = Command::new(name).args(arguments).arg(pdf).arg("-").output().unwrap_or_else(|e| {
        panic!("{name}: {e}; install poppler-utils (on Debian: apt-get install poppler-utils)")
    });
    assert!(ran.status.success(), "{name}: {}", String::from_utf8_lossy(&ran.stderr));
    ran.stdout
}

/// The pages of a PDF as text, in reading order.
fn pages(pdf: &Path) -> Vec<String> {
    let text = String::from_utf8(poppler("pdftotext", &["-layout"], pdf)).expect("UTF-8");
    // Each page ends with a form feed.
    let mut pages: Vec<String> = text.split('\u{c}').map(str::to_owned).collect();
    assert_eq!(pages.pop().as_deref(), Some(""));
    pages
}

/// Every word with the place where it ends, and the size of its page, in points.
fn nothing_lies_beyond_the_edges(pdf: &Path, margin_mm: f64) {
    let text = String::from_utf8(poppler("pdftotext", &["-bbox"], pdf)).expect("UTF-8");
    let number = |line: &str, name: &str| -> f64 {
        let from = line.split(&format!("{name}=\"")).nth(1).unwrap_or_else(|| panic!("no {name} in {line}"));
        from.split('"').next().unwrap_or_default().parse().expect("a number")
    };
    let (mut words, margin) = (0, margin_mm / 25.4 * 72.0);
    for line in text.lines() {
        if line.contains("<page ") {
            // A4 is 210 by 297 mm (ISO 216).
            let size = (number(line, "width"), number(line, "height"));
            assert!((size.0 - 595.3).abs() < 1.0 && (size.1 - 841.9).abs() < 1.0, "{line}");
        }
        if line.contains("<word ") {
            words += 1;
            let edges =
                (number(line, "xMin"), number(line, "xMax"), number(line, "yMin"), number(line, "yMax"));
            assert!(edges.0 >= margin && edges.1 <= 595.3 - margin, "{line}");
            assert!(edges.2 >= margin / 2.0 && edges.3 <= 841.9 - margin / 2.0, "{line}");
        }
    }
    assert!(words > 5, "{text}");
}

/// A page as a picture, a byte a dot, at the resolution of a plain office printer.
struct Picture {
    wide: usize,
    dots: Vec<u8>,
}

/// Dots to the inch.
const RESOLUTION: usize = 300;

impl Picture {
    fn of(pdf: &Path, page: usize) -> Picture {
        let (page, stem) = (page.to_string(), pdf.with_extension(format!("page{page}")));
        let ran = Command::new("pdftoppm")
            .args(["-gray", "-r", &RESOLUTION.to_string(), "-singlefile", "-f", &page])
            .args([pdf, &stem])
            .status()
            .expect("pdftoppm; install poppler-utils (on Debian: apt-get install poppler-utils)");
        assert!(ran.success());
        let picture = std::fs::read(format!("{}.pgm", stem.display())).expect("a picture");
        // A PGM begins with "P5", its width and height, and how much white is; then one byte a dot.
        let mut parts = picture.splitn(4, u8::is_ascii_whitespace);
        let mut word = || String::from_utf8(parts.next().expect("a head").to_vec()).expect("ASCII");
        assert_eq!(word(), "P5");
        let (wide, high): (usize, usize) =
            (word().parse().expect("a width"), word().parse().expect("a height"));
        Picture { wide, dots: picture[picture.len() - wide * high..].to_vec() }
    }

    /// What the codes in a part of it hold, from a corner on; what cannot be read is a fault.
    fn codes(&self, (left, top): (usize, usize), (wide, high): (usize, usize)) -> Vec<String> {
        let dot = |x: usize, y: usize| self.dots[(top + y) * self.wide + left + x];
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(wide, high, dot);
        image.detect_grids().iter().map(|grid| grid.decode().expect("a code that reads").1).collect()
    }
}

/// What the QR codes of a PDF hold.
fn codes(pdf: &Path) -> Vec<String> {
    let of = |page: usize| {
        let picture = Picture::of(pdf, page);
        picture.codes((0, 0), (picture.wide, picture.dots.len() / picture.wide))
    };
    (1..=pages(pdf).len()).flat_map(of).collect()
}

/// What the codes of labels hold, looked at one by one as a phone does: where codes stand in rows, the reader takes corners of
/// several for one that is none.
fn label_codes(pdf: &Path, wide_mm: usize, high_mm: usize) -> Vec<String> {
    let dots = |mm: usize| mm * RESOLUTION * 10 / 254;
    let mut found = Vec::new();
    for page in 1..=pages(pdf).len() {
        let picture = Picture::of(pdf, page);
        for (row, column) in (0..277 / high_mm).flat_map(|row| (0..190 / wide_mm).map(move |c| (row, c))) {
            let corner = (dots(10 + column * wide_mm), dots(10 + row * high_mm));
            found.extend(picture.codes(corner, (dots(wide_mm), dots(high_mm))));
        }
    }
    found
}

#[test]
fn a_round_on_paper_has_every_check_with_room_for_its_answer_and_codes_that_read() {
    let service = shop(3);
    let page = service.fettler(&["sheet", "print", "--round"]).done();
    assert!(page.starts_with("<!doctype html>") && page.contains("@page{size:A4"), "{page}");
    for outside in ["<script", "http://", "https://", "<link", "<img", "url(", "Lathe <1>"] {
        assert!(!page.contains(outside), "{outside} in:\n{page}");
    }
    assert_eq!(page.matches("class=\"v\"").count(), 3, "a box for each value");
    let pdf = printed(&service, &["sheet", "print", "--round"]);
    let text = pages(&pdf).concat();
    for part in [
        "North hall: round of the day shift",
        "0 of 6 checks done",
        "on this sheet: 6 open checks on 3 machines",
        "L-02 Lathe <2> & more",
        "Air pressure at the panel meter",
        "service unit, outside",
        "act below 5.5",
        "oil makes people fall",
        "HAZARD",
        "The machine builder's manual overrides",
        "For the next shift",
        "signature",
        "page 1 of ",
    ] {
        assert!(text.contains(part), "no `{part}` in:\n{text}");
    }
    assert_eq!(
        codes(&pdf),
        ["fettler due --machine L-01", "fettler due --machine L-03", "fettler due --machine L-02"]
    );
    nothing_lies_beyond_the_edges(&pdf, 11.0);
    // What was answered is not asked again on the next sheet.
    let csv = "machine,check,value,finding,at\nL-01,air,6.1,,\nL-01,leaks,,,\n";
    service.fettler_with(&["round", "--answers", "-", "--by", "Ada Kern"], csv.as_bytes()).done();
    let rest = service.fettler(&["sheet", "print", "--round"]).done();
    assert!(rest.contains("on this sheet: 4 open checks on 2 machines") && !rest.contains("L-01"), "{rest}");
}

#[test]
fn what_is_due_is_printed_with_its_cautions_before_the_work() {
    let service = shop(9);
    service.fettler(&["machine", "forbid", "L-02", "--by", "Ada Kern", "--reason", "door interlock"]).done();
    let pdf = printed(&service, &["sheet", "print", "--due", "--address", "https://shop.example/due"]);
    let whole = pages(&pdf);
    assert!(whole.len() > 2, "nine machines do not fit on {} pages", whole.len());
    for (number, page) in (1..).zip(&whole) {
        assert!(page.contains(&format!("page {number} of {}", whole.len())), "{page}");
        assert!(page.contains("The machine builder's manual overrides"), "each page says so:\n{page}");
    }
    let text = whole.concat();
    assert_eq!(text.matches("Empty the condensate bowl").count(), 9);
    assert_eq!(text.matches("MUST NOT START: L-02").count(), 1, "{text}");
    // A box is never cut: its order, its cautions and what it asks stand on one page.
    for page in &whole {
        let orders = page.matches("Empty the condensate bowl").count();
        for part in [
            "close and lock the supply valve",
            "wear eye protection",
            "line pressure (line-air)",
            "broke down",
        ] {
            assert_eq!(page.matches(part).count(), orders, "{part}:\n{page}");
        }
    }
    let (_, first) = text.split_once("Empty the condensate bowl").expect("an order");
    let cautions = first.find("close and lock").expect("a caution");
    assert!(cautions < first.find("bring").expect("a kit"), "cautions come first:\n{first}");
    for part in
        ["days late", "bowl gasket 1", "stop below 4", "min (planned 12)", "certificate", "second person"]
    {
        assert!(text.contains(part), "no `{part}` in:\n{text}");
    }
    let read: BTreeSet<String> = codes(&pdf).into_iter().collect();
    let wanted = (1..=9).map(|n| format!("https://shop.example/due?machine=L-{n:02}"));
    assert_eq!(read, wanted.collect());
    nothing_lies_beyond_the_edges(&pdf, 11.0);

    let one = service.fettler(&["sheet", "print", "--due", "--area", "hall b", "--within", "2w"]).done();
    assert!(one.contains("L-02") && one.contains("L-04") && !one.contains("L-03"), "{one}");
    let one = service.fettler(&["sheet", "print", "--machine", "L-03", "--machine", "L-03"]).done();
    assert_eq!(one.matches("<section").count(), 1, "named twice, printed once");
    assert!(one.contains("Leaks below and behind") && one.contains("Empty the condensate bowl"), "{one}");
    let none = service.fettler(&["sheet", "print", "--machine", "L-99"]);
    assert_eq!(none.code, 3, "{}", none.all());
}

#[test]
fn labels_fill_pages_and_each_code_reads() {
    let service = shop(25);
    let pdf = printed(&service, &["sheet", "labels"]);
    let whole = pages(&pdf);
    assert_eq!(whole.len(), 2, "three by seven on a page:\n{}", whole.concat());
    let text = whole.concat();
    let read: BTreeSet<String> = label_codes(&pdf, 63, 38).into_iter().collect();
    assert_eq!(read, (1..=25).map(|n| format!("fettler due --machine L-{n:02}")).collect());
    for n in 1..=25 {
        assert!(text.contains(&format!("L-{n:02}")), "{text}");
    }
    assert_eq!(text.matches("hall a").count(), 13, "{text}");
    nothing_lies_beyond_the_edges(&pdf, 10.0);
    let area = ["sheet", "labels", "--area", "hall b", "--wide", "90", "--high", "50", "--site", "north"];
    let pdf = printed(&service, &area);
    assert_eq!(pages(&pdf).len(), 2, "two by five on a page");
    assert!(label_codes(&pdf, 90, 50).contains(&"fettler due --machine L-02 --site north".to_owned()));
    let small = printed(&service, &["sheet", "labels", "--machine", "L-07", "--wide", "45", "--high", "25"]);
    assert_eq!(label_codes(&small, 45, 25), ["fettler due --machine L-07"]);
    let none = service.fettler(&["sheet", "labels", "--area", "nowhere"]);
    assert_eq!((none.code, none.stdout.as_str()), (2, ""), "{}", none.all());
    for bad in [["--wide", "44"], ["--wide", "191"], ["--high", "24"], ["--high", "278"]] {
        assert_eq!(service.fettler(&[&["sheet", "labels"], &bad[..]].concat()).code, 2, "{bad:?}");
    }
}

#[test]
fn a_page_is_never_written_over_a_file_and_what_is_missing_is_said() {
    let service = shop(1);
    let said = service.fettler(&["sheet", "print", "--round", "-o", "round.html"]);
    assert_eq!((said.code, said.stderr.as_str()), (0, "round.html is written\n"), "{}", said.all());
    let before = std::fs::read(service.data().join("round.html")).expect("a page");
    let again = service.fettler(&["sheet", "print", "--due", "-o", "round.html"]);
    assert_eq!(again.code, 2, "{}", again.all());
    assert!(again.stderr.contains("round.html is there already; give a new name"), "{}", again.all());
    assert_eq!(std::fs::read(service.data().join("round.html")).expect("a page"), before);
    // The client of a test finds no programs, so no Chromium either.
    let missing = service.fettler(&["sheet", "print", "--round", "--pdf", "round.pdf"]);
    assert_eq!(missing.code, 2, "{}", missing.all());
    assert!(missing.stderr.contains("apt-get install chromium"), "{}", missing.all());
    assert!(missing.stderr.contains("FETTLER_CHROMIUM"), "{}", missing.all());
    assert!(!service.data().join("round.pdf").exists() && !service.data().join("round.pdf.part").exists());
    let json = service.fettler(&["sheet", "print", "--round", "--output", "json"]);
    assert_eq!((json.code, json.stdout.as_str()), (2, ""), "{}", json.all());
    let nothing = service.fettler(&["sheet", "print"]);
    assert_eq!(nothing.code, 2, "{}", nothing.all());
}
