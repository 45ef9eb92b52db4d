//! The names in callers' certificates, by which a token may be known: any certificate of the authority with that name stands in its
//! place. Whether a certificate is the authority's was settled when the connection was made.

use sha2::{Digest as _, Sha256};
use std::fmt;
use std::str::FromStr;
use webpki::EndEntityCert;

/// The most names of a certificate that are looked up.
const NAMES_MAX: usize = 8;
/// The most bytes of a name.
const BYTES_MAX: usize = 253;
/// What is hashed before a name, so that no token and no certificate has the same hash.
const DOMAIN: &[u8] = b"fettler certificate name\0";

/// A name of a certificate, in the form `DNS:cell-7.example`, `URI:spiffe://shop/erp` or `CN:cell 7`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CertificateName(String);

impl CertificateName {
    /// The SHA-256 under which a token is kept that is known by it.
    pub fn hash(&self) -> [u8; 32] {
        Sha256::new().chain_update(DOMAIN).chain_update(self.0.as_bytes()).finalize().into()
    }

    fn of(kind: &str, name: &str) -> Option<CertificateName> {
        let fits = !name.is_empty() && name.len() <= BYTES_MAX && !name.chars().any(char::is_control);
        // A name for many hosts is nobody's in particular.
        if !fits || (kind == "DNS" && name.contains('*')) {
            return None;
        }
        // DNS heeds no case.
        let name = if kind == "DNS" { name.to_ascii_lowercase() } else { name.to_owned() };
        Some(CertificateName(format!("{kind}:{name}")))
    }
}

impl fmt::Display for CertificateName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl FromStr for CertificateName {
    type Err = String;

    fn from_str(text: &str) -> Result<CertificateName, String> {
        let found = text.split_once(':').filter(|(kind, _)| ["DNS", "URI", "CN"].contains(kind));
        found.and_then(|(kind, name)| CertificateName::of(kind, name)).ok_or_else(|| {
            "is no name of a certificate; give DNS:cell-7.example, URI:spiffe://shop/erp or CN:cell 7".into()
        })
    }
}

/// The names of a certificate (DER), in the order in which they are looked up: its URIs, its DNS names, its common name.
pub fn names(certificate: &[u8]) -> Vec<CertificateName> {
    let der = certificate.into();
    let Ok(certificate) = EndEntityCert::try_from(&der) else { return Vec::new() };
    let uris = certificate.valid_uri_names().filter_map(|name| CertificateName::of("URI", name));
    let hosts = certificate.valid_dns_names().filter_map(|name| CertificateName::of("DNS", name));
    let common = common_name(certificate.subject()).and_then(|name| CertificateName::of("CN", &name));
    uris.chain(hosts).take(NAMES_MAX - 1).chain(common).collect()
}

/// One element of DER: its tag, its content, and what follows it.
fn element(der: &[u8]) -> Option<(u8, &[u8], &[u8])> {
    let (&tag, rest) = der.split_first()?;
    let (&first, rest) = rest.split_first()?;
    let (len, rest) = match first {
        0..=0x7f => (usize::from(first), rest),
        0x81 => rest.split_first().map(|(len, rest)| (usize::from(*len), rest))?,
        0x82 => (usize::from(u16::from_be_bytes([*rest.first()?, *rest.get(1)?])), rest.get(2..)?),
        _ => return None,
    };
    let (content, rest) = rest.split_at_checked(len)?;
    Some((tag, content, rest))
}

/// The last common name (OID 2.5.4.3) of a subject (RFC 5280, section 4.1.2.4): sets of pairs of a kind and a text.
fn common_name(mut subject: &[u8]) -> Option<String> {
    const SET: u8 = 0x31;
    const SEQUENCE: u8 = 0x30;
    const OID: u8 = 0x06;
    const COMMON_NAME: &[u8] = &[0x55, 0x04, 0x03];
    /// UTF8String, PrintableString and IA5String.
    const TEXTS: [u8; 3] = [0x0c, 0x13, 0x16];
    let mut found = None;
    while let Some((SET, mut pairs, rest)) = element(subject) {
        subject = rest;
        while let Some((SEQUENCE, pair, rest)) = element(pairs) {
            pairs = rest;
            let Some((OID, COMMON_NAME, text)) = element(pair) else { continue };
            let text = element(text).filter(|(tag, ..)| TEXTS.contains(tag));
            found = text.and_then(|(_, text, _)| String::from_utf8(text.to_vec()).ok()).or(found);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_says_of_which_kind_it_is() {
        for name in ["DNS:cell-7.example", "URI:spiffe://shop/erp", "CN:cell 7"] {
            assert_eq!(name.parse::<CertificateName>().unwrap().to_string(), name);
        }
        assert_eq!("DNS:Cell-7.Example".parse::<CertificateName>(), "DNS:cell-7.example".parse());
        assert_ne!("CN:Cell".parse::<CertificateName>(), "CN:cell".parse());
        for bad in ["cell-7.example", "DNS:", "IP:10.0.0.1", "DNS:*.example", "CN:a\nb", ""] {
            assert!(bad.parse::<CertificateName>().is_err(), "{bad}");
        }
    }

    #[test]
    fn a_subject_is_read_and_what_is_none_is_none() {
        let pair = |oid: u8, tag: u8, text: &[u8]| {
            let text = [&[tag, u8::try_from(text.len()).unwrap()], text].concat();
            let pair = [&[0x06, 3, 0x55, 0x04, oid], &text[..]].concat();
            let pair = [&[0x30, u8::try_from(pair.len()).unwrap()], &pair[..]].concat();
            [&[0x31, u8::try_from(pair.len()).unwrap()], &pair[..]].concat()
        };
        let subject = [pair(10, 0x0c, b"shop"), pair(3, 0x13, b"cell 7")].concat();
        assert_eq!(common_name(&subject).as_deref(), Some("cell 7"));
        let two = [pair(3, 0x0c, b"cell 6"), pair(10, 0x0c, b"shop"), pair(3, 0x0c, b"cell 7")].concat();
        assert_eq!(common_name(&two).as_deref(), Some("cell 7"), "the last of several");
        assert_eq!(common_name(&pair(10, 0x0c, b"shop")), None);
        assert_eq!(common_name(&pair(3, 0x0c, &[0xff])), None);
        // Cut anywhere, it is read as far as it goes, and no further.
        for end in 0..subject.len() {
            assert_eq!(common_name(&subject[..end]), None, "{end}");
        }
        assert!(names(b"no certificate").is_empty());
    }
}
