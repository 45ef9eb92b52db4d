//! A page of HTML as a browser shows it: as a picture, light or dark, on paper, and where its texts came to stand.

use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;
use tempfile::TempDir;

/// The browser's program as Debian calls it; another is named by `FETTLER_CHROMIUM`, as for the client.
const BROWSER: &str = "chromium";
/// What ends what the looking page found, on both sides.
const MARK: &str = "=====";

/// Looks at each plot of a page within a frame of its own: how wide the page is, and which texts lie outside their plot or on one
/// another. A pixel of touching is no fault: how wide a letter is depends on the fonts that are there.
const LOOK: &str = r#"
const page = document.getElementById("page").contentDocument, faults = [];
const plots = [...page.querySelectorAll("svg.plot")];
for (const plot of plots) {
  const room = plot.viewBox.baseVal;
  const boxes = [...plot.querySelectorAll("text")].map(text => [text.textContent, text.getBBox()]);
  for (const [text, box] of boxes)
    if (box.x < -1 || box.y < -1 || box.x + box.width > room.width + 1 || box.y + box.height > room.height + 1)
      faults.push("cut off: " + text);
  boxes.forEach(([text, a], i) => boxes.slice(i + 1).forEach(([other, b]) => {
    if (a.x + a.width > b.x + 1 && b.x + b.width > a.x + 1 && a.y + a.height > b.y + 2 && b.y + b.height > a.y + 2)
      faults.push(text + " lies on " + other);
  }));
}
const root = page.documentElement;
const found = {plots: plots.length, wide: root.scrollWidth, room: root.clientWidth, tall: root.scrollHeight,
  texts: page.querySelectorAll("svg.plot text").length, tables: page.querySelectorAll("table").length, faults};
document.getElementById("found").textContent = MARK + JSON.stringify(found) + MARK;
"#;

fn run(home: &TempDir, arguments: &[&str], page: &Path) -> Vec<u8> {
    let address = format!("file://{}", page.display());
    let browser = std::env::var("FETTLER_CHROMIUM").unwrap_or_else(|_| BROWSER.to_owned());
    let output = Command::new(&browser)
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars"])
        .arg(format!("--user-data-dir={}", home.path().display()))
        .args(arguments)
        .arg(address)
        .env("HOME", home.path())
        .output()
        .unwrap_or_else(|e| {
            panic!("{browser}: {e}; install it (on Debian: apt-get install chromium; ./tests/run does)")
        });
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

fn home() -> TempDir {
    tempfile::Builder::new().prefix("fettler-browser-").tempdir().expect("a folder")
}

/// Takes a picture of a page, as wide and tall as said, for who has set light or dark.
pub fn picture(page: &Path, is_dark: bool, (width, height): (u32, u32), file: &Path) {
    let home = home();
    let size = format!("--window-size={width},{height}");
    let scheme = format!("--blink-settings=preferredColorScheme={}", u8::from(!is_dark));
    let shot = format!("--screenshot={}", file.display());
    run(&home, &[&size, &scheme, &shot], page);
    assert!(file.exists(), "a picture of {}", page.display());
}

/// Prints a page; gives the file as bytes.
pub fn printed(page: &Path, file: &Path) -> Vec<u8> {
    let home = home();
    let to = format!("--print-to-pdf={}", file.display());
    run(&home, &["--no-pdf-header-footer", &to], page);
    fs::read(file).expect("a printed page")
}

/// What there is to see of a page in a window as wide as said, and what is amiss with it.
pub fn laid_out(page: &Path, width: u32) -> Value {
    let home = home();
    let text = fs::read_to_string(page).expect("the page").replace('&', "&amp;").replace('"', "&quot;");
    let script = LOOK.replace("MARK", &format!("\"{MARK}\""));
    let outer = format!(
        "<!doctype html><body><iframe id=\"page\" style=\"width:{width}px;height:900px;border:0\" srcdoc=\"{text}\"></iframe>\
         <pre id=\"found\"></pre><script>addEventListener(\"load\", () => {{{script}}})</script>"
    );
    let file = home.path().join("look.html");
    fs::write(&file, outer).expect("a file");
    let shown =
        String::from_utf8(run(&home, &["--window-size=1400,1000", "--dump-dom"], &file)).expect("UTF-8");
    let found =
        shown.split(MARK).find(|part| part.starts_with("{\"plots\"")).unwrap_or_else(|| panic!("{shown}"));
    serde_json::from_str(&found.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&"))
        .expect("JSON")
}
