//! QR codes (ISO/IEC 18004) as drawings in a page, and what those of a machine hold.

use crate::exit::Failure;
use qrcodegen::{QrCode, QrCodeEcc};
use std::fmt::Write as _;

/// The blank margin that a code needs on each side, in modules (ISO/IEC 18004).
const QUIET: i32 = 4;
/// What stands for the machine's tag in an address.
const PLACE: &str = "{machine}";
/// The longest address, in bytes: a code with more than this is too fine for a phone at arm's length (common practice, no source).
const ADDRESS_BYTES_MAX: usize = 200;

/// What leads to a machine's due list: a page's address, else the command that shows it.
#[derive(Clone, Debug)]
pub(crate) struct Leads {
    address: Option<String>,
    site: String,
}

impl Leads {
    /// Reads the address of a web page; `{machine}` in it stands for the tag, else the tag is added as its parameter `machine`.
    pub(crate) fn to(address: Option<&str>, site: String) -> Result<Leads, Failure> {
        let Some(text) = address else { return Ok(Leads { address: None, site }) };
        let bad = |what: &str| {
            Failure::usage(format!(
                "--address `{text}` {what}; write it like https://shop.example/due, or https://shop.example/due/{PLACE}"
            ))
        };
        let rest = text.strip_prefix("https://").or_else(|| text.strip_prefix("http://"));
        match rest.ok_or_else(|| bad("begins with neither https:// nor http://"))? {
            "" => return Err(bad("names no host")),
            rest if rest.starts_with(['/', '?', '#']) => return Err(bad("names no host")),
            rest if rest.contains(|c: char| c.is_whitespace() || c.is_control()) => {
                return Err(bad("has a blank in it"));
            }
            _ => {}
        }
        if text.len() > ADDRESS_BYTES_MAX {
            return Err(bad("is longer than 200 bytes, which makes a code too fine to be read"));
        }
        Ok(Leads { address: Some(text.to_owned()), site })
    }

    /// What the code of a machine holds.
    pub(crate) fn of(&self, tag: &str) -> String {
        let site = self.site.as_str();
        let Some(address) = &self.address else {
            let site = if site.is_empty() { String::new() } else { format!(" --site {site}") };
            return format!("fettler due --machine {tag}{site}");
        };
        if address.contains(PLACE) {
            return address.replace(PLACE, &escaped(tag));
        }
        // What follows `#` never reaches a server, so the parameters stand before it.
        let (page, part) = address.split_once('#').map_or((address.as_str(), None), |(a, b)| (a, Some(b)));
        let sign = if page.contains('?') { '&' } else { '?' };
        let mut text = format!("{page}{sign}machine={}", escaped(tag));
        if !site.is_empty() {
            let _ = write!(text, "&site={}", escaped(site));
        }
        text + &part.map(|part| format!("#{part}")).unwrap_or_default()
    }
}

/// A text as a part of an address (RFC 3986, section 2).
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

/// A code as a drawing. A quarter of it may be dirty or scratched (level Q, or H where it costs no room).
pub(crate) fn drawing(text: &str) -> Result<String, Failure> {
    let code = QrCode::encode_text(text, QrCodeEcc::Quartile).map_err(|_| {
        Failure::usage(format!("`{text}` is too long for a QR code; give a shorter --address"))
    })?;
    let side = code.size() + 2 * QUIET;
    let mut out = format!(
        "<svg class=\"qr\" viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\" role=\"img\" \
         aria-label=\"QR code\"><path fill=\"#fff\" d=\"M0 0h{side}v{side}H0z\"/><path d=\""
    );
    for y in 0..code.size() {
        let mut x = 0;
        while x < code.size() {
            let begin = x;
            while code.get_module(x, y) {
                x += 1;
            }
            if x > begin {
                let _ = write!(out, "M{} {}h{}v1h-{}z", begin + QUIET, y + QUIET, x - begin, x - begin);
            }
            x += 1;
        }
    }
    out.push_str("\"/></svg>");
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// How wide a module is drawn, in dots.
    const DOTS: usize = 10;

    /// Draws what the paths say, and lets a reader that shares nothing with the encoder read it.
    fn read_back(svg: &str) -> String {
        let side: usize =
            svg.split("viewBox=\"0 0 ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
        let path = svg.rsplit("d=\"").next().unwrap().trim_end_matches("\"/></svg>");
        let mut dark = vec![false; side * side];
        for run in path.split('M').skip(1) {
            let (at, run) = run.split_once('h').unwrap();
            let (x, y) = at.split_once(' ').unwrap();
            let (x, y): (usize, usize) = (x.parse().unwrap(), y.parse().unwrap());
            let length: usize = run.split('v').next().unwrap().parse().unwrap();
            dark[y * side + x..y * side + x + length].fill(true);
        }
        let shade = |x: usize, y: usize| if dark[y / DOTS * side + x / DOTS] { 0 } else { 255 };
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(side * DOTS, side * DOTS, shade);
        let grids = image.detect_grids();
        assert_eq!(grids.len(), 1, "{svg}");
        let (meta, text) = grids[0].decode().unwrap();
        // ISO/IEC 18004 writes level Q as 11 and H as 10 in the format of a code, which the reader gives as it stands.
        assert!(matches!(meta.ecc_level, 2 | 3), "{}", meta.ecc_level);
        text
    }

    #[test]
    fn every_code_reads_back_by_another_reader() {
        for text in
            ["fettler due --machine L-03", "https://shop.example/due?machine=L%C3%A4-03&site=north", "x"]
        {
            assert_eq!(read_back(&drawing(text).unwrap()), text);
        }
        let long = format!("https://shop.example/{}", "a".repeat(300));
        assert_eq!(read_back(&drawing(&long).unwrap()), long);
        assert!(drawing(&"a".repeat(3000)).is_err());
    }

    #[test]
    fn a_machine_s_code_leads_to_its_due_list() {
        let of = |address: Option<&str>, site: &str| Leads::to(address, site.to_owned()).unwrap().of("Lä 3");
        assert_eq!(of(None, ""), "fettler due --machine Lä 3");
        assert_eq!(of(None, "north"), "fettler due --machine Lä 3 --site north");
        assert_eq!(of(Some("https://s.example/due"), ""), "https://s.example/due?machine=L%C3%A4%203");
        assert_eq!(
            of(Some("http://s.example/?a=b#top"), "n/1"),
            "http://s.example/?a=b&machine=L%C3%A4%203&site=n%2F1#top"
        );
        assert_eq!(of(Some("https://s.example/{machine}/due"), "north"), "https://s.example/L%C3%A4%203/due");
    }

    #[test]
    fn what_is_no_address_is_refused_with_the_remedy() {
        let long = format!("https://s.example/{}", "a".repeat(200));
        for bad in
            ["", "s.example", "ftp://s.example", "https://", "https:///due", "https://s example", &long]
        {
            let Err(Failure::Usage(complaint)) = Leads::to(Some(bad), String::new()) else { panic!("{bad}") };
            assert!(complaint.message.contains("write it like https://shop.example/due"), "{complaint:?}");
        }
    }
}
