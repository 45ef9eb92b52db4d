//! Signed texts (RFC 7515, compact form) and the keys that check them (RFC 7517, 7518, 8037): RS256, ES256 and EdDSA alone. What
//! needs a shared secret, and what is not signed, is not among them, so that neither can be taken for one that is.

use super::Refused;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::signature::{
    ECDSA_P256_SHA256_FIXED, ED25519, RSA_PKCS1_2048_8192_SHA256, RsaPublicKeyComponents, UnparsedPublicKey,
};
use serde_json::Value;

/// The most keys of a set.
const KEYS_MAX: usize = 64;
/// The longest signed text, in bytes: what fits into the headers of a call.
const BYTES_MAX: usize = 12 << 10;

/// How a text may be signed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Algorithm {
    Rs256,
    Es256,
    EdDsa,
}

impl Algorithm {
    fn from_word(word: &str) -> Option<Algorithm> {
        match word {
            "RS256" => Some(Algorithm::Rs256),
            "ES256" => Some(Algorithm::Es256),
            "EdDSA" => Some(Algorithm::EdDsa),
            _ => None,
        }
    }
}

/// A public key, which serves one algorithm alone.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Public {
    /// Modulus and exponent.
    Rsa(Vec<u8>, Vec<u8>),
    /// A point of P-256, not compressed.
    P256(Vec<u8>),
    Ed25519(Vec<u8>),
}

/// A key of a set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// Its id.
    pub id: Option<String>,
    public: Public,
}

fn bytes(text: &str) -> Option<Vec<u8>> {
    URL_SAFE_NO_PAD.decode(text).ok()
}

impl Key {
    /// Reads a key; none where it is of a kind, or for a use, that is not served here.
    fn of(value: &Value) -> Option<Key> {
        let text = |name: &str| value.get(name).and_then(Value::as_str);
        let part = |name: &str| text(name).and_then(bytes).filter(|bytes| !bytes.is_empty());
        let half = |name: &str| part(name).filter(|half| half.len() == 32);
        if text("use").is_some_and(|made_for| made_for != "sig") {
            return None;
        }
        let (public, serves) = match (text("kty")?, text("crv")) {
            ("RSA", _) => (Public::Rsa(part("n")?, part("e")?), "RS256"),
            ("EC", Some("P-256")) => (Public::P256([&[4][..], &half("x")?, &half("y")?].concat()), "ES256"),
            ("OKP", Some("Ed25519")) => (Public::Ed25519(half("x")?), "EdDSA"),
            _ => return None,
        };
        let own = text("alg").is_none_or(|alg| alg == serves);
        own.then(|| Key { id: text("kid").map(str::to_owned), public })
    }

    fn holds(&self, algorithm: Algorithm, said: &[u8], signature: &[u8]) -> bool {
        match (&self.public, algorithm) {
            (Public::Rsa(n, e), Algorithm::Rs256) => {
                let key = RsaPublicKeyComponents { n, e };
                key.verify(&RSA_PKCS1_2048_8192_SHA256, said, signature).is_ok()
            }
            (Public::P256(point), Algorithm::Es256) => {
                UnparsedPublicKey::new(&ECDSA_P256_SHA256_FIXED, point).verify(said, signature).is_ok()
            }
            (Public::Ed25519(key), Algorithm::EdDsa) => {
                UnparsedPublicKey::new(&ED25519, key).verify(said, signature).is_ok()
            }
            (Public::Rsa(..) | Public::P256(_) | Public::Ed25519(_), _) => false,
        }
    }
}

/// Reads a set of keys (RFC 7517, section 5); what is not served here is left out. The error says why it is no set, or has none.
pub fn keys(text: &str) -> Result<Vec<Key>, &'static str> {
    let set: Value = serde_json::from_str(text).map_err(|_| "is not JSON")?;
    let all = set.get("keys").and_then(Value::as_array).ok_or("has no list `keys`")?;
    if all.len() > KEYS_MAX {
        return Err("has more than 64 keys");
    }
    let keys: Vec<Key> = all.iter().filter_map(Key::of).collect();
    if keys.is_empty() { Err("has no key for RS256, ES256 or EdDSA") } else { Ok(keys) }
}

/// A text that says it is signed.
#[derive(Debug)]
pub struct Signed<'a> {
    /// The id of the key.
    pub key_id: Option<String>,
    /// What is signed, read.
    pub payload: Vec<u8>,
    algorithm: Algorithm,
    said: &'a str,
    signature: Vec<u8>,
}

impl<'a> Signed<'a> {
    /// Reads one; nothing of it is to be believed before [`Signed::holds`].
    pub fn read(text: &'a str) -> Result<Signed<'a>, Refused> {
        if text.len() > BYTES_MAX {
            return Err(Refused::Form);
        }
        let (said, signature) = text.rsplit_once('.').ok_or(Refused::Form)?;
        let (header, payload) = said.split_once('.').ok_or(Refused::Form)?;
        let part = |text: &str| bytes(text).ok_or(Refused::Form);
        let (header, payload, signature) = (part(header)?, part(payload)?, part(signature)?);
        let header: Value = serde_json::from_slice(&header).map_err(|_| Refused::Form)?;
        let word = |name: &str| header.get(name).and_then(Value::as_str);
        let algorithm = word("alg").and_then(Algorithm::from_word).ok_or(Refused::Algorithm)?;
        // RFC 7515, section 4.1.11: what is not understood and must be is refused.
        if header.get("crit").is_some() {
            return Err(Refused::Form);
        }
        Ok(Signed { key_id: word("kid").map(str::to_owned), payload, algorithm, said, signature })
    }

    /// Whether it is signed by a key.
    pub fn holds(&self, key: &Key) -> bool {
        key.holds(self.algorithm, self.said.as_bytes(), &self.signature)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The payload of RFC 7515, appendices A.2 and A.3.
    const CLAIMS: &str =
        "eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ";

    fn only(key: &str) -> Key {
        let mut found = keys(&format!("{{\"keys\":[{key}]}}")).expect("a key");
        assert_eq!(found.len(), 1);
        found.remove(0)
    }

    /// RFC 7515, appendix A.2: RS256.
    fn rsa() -> (Key, String) {
        let key = only(
            "{\"kty\":\"RSA\",\"e\":\"AQAB\",\"n\":\"ofgWCuLjybRlzo0tZWJjNiuSfb4p4fAkd_wWJcyQoTbji9k0l8W26mPddxHmfHQp-Vaw-4qPCJrcS2mJPMEzP1Pt0Bm4d4QlL-yRT-SFd2lZS-pCgNMsD1W_YpRPEwOWvG6b32690r2jZ47soMZo9wGzjb_7OMg0LOL-bSf63kpaSHSXndS5z5rexMdbBYUsLA9e-KXBdQOS-UTo7WTBEMa2R2CapHg665xsmtdVMTBQY4uDZlxvb3qCo5ZwKh9kG4LT6_I5IhlJH7aGhyxXFvUK-DWNmoudF8NAco9_h9iaGNj8q2ethFkMLs91kzk2PAcDTW9gb54h4FRWyuXpoQ\"}",
        );
        let signature = "cC4hiUPoj9Eetdgtv3hF80EGrhuB__dzERat0XF9g2VtQgr9PJbu3XOiZj5RZmh7AAuHIm4Bh-0Qc_lF5YKt_O8W2Fp5jujGbds9uJdbF9CUAr7t1dnZcAcQjbKBYNX4BAynRFdiuB--f_nZLgrnbyTyWzO75vRK5h6xBArLIARNPvkSjtQBMHlb1L07Qe7K0GarZRmB_eSN9383LcOLn6_dO--xi12jzDwusC-eOkHWEsqtFZESc6BfI7noOPqvhJ1phCnvWh6IeYI2w9QOYEUipUTI8np6LbgGY9Fs98rqVt5AXLIhWkWywlVmtVrBp0igcN_IoypGlUPQGe77Rw";
        (key, format!("eyJhbGciOiJSUzI1NiJ9.{CLAIMS}.{signature}"))
    }

    /// RFC 7515, appendix A.3: ES256.
    fn p256() -> (Key, String) {
        let key = only(
            "{\"kty\":\"EC\",\"crv\":\"P-256\",\"x\":\"f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU\",\"y\":\"x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0\"}",
        );
        let signature =
            "DtEhU3ljbEg8L38VWAfUAqOyKAM6-Xx-F4GawxaepmXFCgfTjDxw5djxLa8ISlSApmWQxfKTUJqPP3-Kg6NU1Q";
        (key, format!("eyJhbGciOiJFUzI1NiJ9.{CLAIMS}.{signature}"))
    }

    /// RFC 8037, appendices A.2 and A.4: EdDSA.
    fn ed25519() -> (Key, String) {
        let key = only(
            "{\"kty\":\"OKP\",\"crv\":\"Ed25519\",\"x\":\"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo\"}",
        );
        let signature =
            "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg";
        (key, format!("eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc.{signature}"))
    }

    #[test]
    fn the_examples_of_the_standards_hold_and_nothing_near_them_does() {
        let all = [rsa(), p256(), ed25519()];
        for (which, (key, text)) in all.iter().enumerate() {
            let signed = Signed::read(text).expect("signed");
            assert!(signed.holds(key), "{text}");
            for (other, (key, _)) in all.iter().enumerate() {
                assert_eq!(signed.holds(key), which == other);
            }
            let (said, signature) = text.rsplit_once('.').unwrap();
            let bent = format!("{}A.{signature}", &said[..said.len() - 1]);
            assert!(!Signed::read(&bent).is_ok_and(|signed| signed.holds(key)), "{bent}");
            let cut = format!("{said}.{}", &signature[..signature.len() - 4]);
            assert!(!Signed::read(&cut).is_ok_and(|signed| signed.holds(key)), "{cut}");
        }
        assert_eq!(Signed::read(&ed25519().1).unwrap().payload, b"Example of Ed25519 signing");
    }

    #[test]
    fn what_is_not_signed_or_by_a_shared_secret_is_refused() {
        let of = |header: &str| format!("{}.{CLAIMS}.c2ln", URL_SAFE_NO_PAD.encode(header));
        let why = |text: &str| Signed::read(text).map(drop).unwrap_err();
        for alg in ["none", "None", "HS256", "HS512", "RS1", "PS256", "ES384", "eddsa", ""] {
            assert_eq!(why(&of(&format!("{{\"alg\":\"{alg}\"}}"))), Refused::Algorithm, "{alg}");
        }
        assert_eq!(why(&of("{}")), Refused::Algorithm);
        assert_eq!(why(&of("{\"alg\":\"ES256\",\"crit\":[\"b64\"],\"b64\":false}")), Refused::Form);
        for text in ["", "a", "a.b", "a.b.c.d", "....", "eyJhbGciOiJFUzI1NiJ9..=", "e30=.e30.e30"] {
            assert!(matches!(why(text), Refused::Form | Refused::Algorithm), "{text}");
        }
        assert_eq!(why(&"a".repeat(BYTES_MAX + 1)), Refused::Form);
    }

    /// RFC 7517, appendix A.1: the example's key for encryption is not one for signatures.
    #[test]
    fn a_set_of_keys_is_read_and_what_is_not_served_left_out() {
        let set = "{\"keys\":[{\"kty\":\"EC\",\"crv\":\"P-256\",\"x\":\"MKBCTNIcKUSDii11ySs3526iDZ8AiTo7Tu6KPAqv7D4\",\"y\":\"4Etl6SRW2YiLUrN5vfvVHuhp7x8PxltmWWlbbM4IFyM\",\"use\":\"enc\",\"kid\":\"1\"},{\"kty\":\"RSA\",\"n\":\"0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiFV4n3oknjhMstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0zgdAZHzu6qMQvRL5hajrn1n91CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csFCur-kEgU8awapJzKnqDKgw\",\"e\":\"AQAB\",\"alg\":\"RS256\",\"kid\":\"2011-04-29\"}]}";
        let found = keys(set).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].id.as_deref(), Some("2011-04-29"));
        assert!(matches!(&found[0].public, Public::Rsa(n, e) if n.len() == 256 && e == &[1, 0, 1]));
        for (bad, why) in [
            ("x", "is not JSON"),
            ("{}", "has no list `keys`"),
            ("{\"keys\":[]}", "has no key for RS256, ES256 or EdDSA"),
            (
                "{\"keys\":[{\"kty\":\"oct\",\"k\":\"AyM1SysPpbyDfgZld3um\"}]}",
                "has no key for RS256, ES256 or EdDSA",
            ),
            (
                "{\"keys\":[{\"kty\":\"OKP\",\"crv\":\"Ed25519\",\"x\":\"AAAA\"}]}",
                "has no key for RS256, ES256 or EdDSA",
            ),
        ] {
            assert_eq!(keys(bad), Err(why), "{bad}");
        }
        let many = vec!["{}"; KEYS_MAX + 1].join(",");
        assert_eq!(keys(&format!("{{\"keys\":[{many}]}}")), Err("has more than 64 keys"));
        // A key that says it is for another algorithm serves none.
        let (set, rsa) = ("\"alg\":\"RS256\"", "\"alg\":\"PS256\"");
        assert!(keys(&set_with(set, rsa)).is_err());
    }

    fn set_with(was: &str, is: &str) -> String {
        "{\"keys\":[{\"kty\":\"RSA\",\"n\":\"AQ\",\"e\":\"AQAB\",\"alg\":\"RS256\"}]}".replace(was, is)
    }
}
