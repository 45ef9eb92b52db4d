//! PINs on their way in: read from the call's metadata, compared by a slow hash, and never shown, kept or logged.

use crate::status::Failure;
use argon2::password_hash::{PasswordHash, PasswordHasher as _, PasswordVerifier as _, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use fettler_domain::error::Error;
use fettler_domain::ids::PersonId;
use fettler_domain::pin::{Hearing, Known, Speaker, Unproven, fit};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use fettler_store::contract::{PinRecord, Store};
use tokio::sync::Mutex;
use tonic::metadata::MetadataMap;

/// The metadata in which the PIN comes of the person in whose name something is said.
pub const PIN: &str = "fettler-pin";
/// The metadata in which a new PIN comes.
pub const NEW_PIN: &str = "fettler-new-pin";
/// Argon2id's memory in KiB, passes and lanes: what OWASP's cheat sheet on storing passwords names as the least (19 MiB, 2, 1). It
/// takes some 20 ms of one processor; with the few digits that a PIN has, more would delay a theft of the database by hours only.
const COST: (u32, u32, u32) = (19 * 1024, 2, 1);
/// Bytes of a salt (RFC 9106, section 3.1: 16 are recommended).
const SALT_BYTES: usize = 16;

/// Digits as they came, which show themselves to nobody.
pub struct Digits(String);

impl Digits {
    /// Those in a call's metadata.
    pub fn of(metadata: &MetadataMap, name: &str) -> Option<Digits> {
        let value = metadata.get(name)?;
        // What is no text is no PIN, and is refused as a wrong one.
        Some(Digits(value.to_str().unwrap_or_default().trim().to_owned()))
    }

    /// Those in a call's metadata, which are to be a new PIN.
    pub fn anew(metadata: &MetadataMap) -> Result<Digits, Error> {
        let missing = || Error::invalid(NEW_PIN, "is missing; send the new PIN as metadata of this name");
        let digits = Digits::of(metadata, NEW_PIN).ok_or_else(missing)?;
        fit(NEW_PIN, &digits.0)?;
        Ok(digits)
    }
}

/// Compares PINs one at a time, so that they take no more than one processor, and so that no wrong one is heard beside others before
/// it was counted.
#[derive(Default)]
pub struct PinDesk {
    one: Mutex<()>,
}

fn hasher() -> Argon2<'static> {
    let (memory, passes, lanes) = COST;
    let params = Params::new(memory, passes, lanes, None).expect("they are within the bounds of RFC 9106");
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// The text under which a PIN is kept: algorithm, parameters, salt and hash.
fn hashed(pin: &str) -> Result<String, Failure> {
    let mut salt = [0_u8; SALT_BYTES];
    getrandom::fill(&mut salt).map_err(|error| {
        tracing::error!(%error, "no random bits for a salt");
        Failure::Broken
    })?;
    let salt = SaltString::encode_b64(&salt).expect("16 bytes are a salt");
    let hash = hasher().hash_password(pin.as_bytes(), &salt).expect("a PIN of some digits can be hashed");
    Ok(hash.to_string())
}

/// Whether a PIN is the one that is kept under this text.
fn is_kept(pin: &str, kept: &str) -> bool {
    PasswordHash::new(kept).is_ok_and(|kept| hasher().verify_password(pin.as_bytes(), &kept).is_ok())
}

/// Work for a processor, away from the tasks that answer calls.
async fn away<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Failure> {
    tokio::task::spawn_blocking(work).await.map_err(|error| {
        tracing::error!(%error, "a PIN was not compared");
        Failure::Broken
    })
}

impl PinDesk {
    /// The text under which a new PIN is kept.
    pub async fn kept_as(&self, Digits(pin): Digits) -> Result<String, Failure> {
        let _one = self.one.lock().await;
        away(move || hashed(&pin)).await?
    }

    /// Who speaks, when the person of this name is known by the token, whose own it may be, or by a PIN. Nobody when neither came, or
    /// when there is no such person, which is told elsewhere.
    pub async fn speaker(
        &self,
        store: &dyn Store,
        (field, name): (&'static str, &str),
        own: Option<PersonId>,
        pin: Option<Digits>,
        now: Ts,
    ) -> Result<Option<Speaker>, Failure> {
        if own.is_none() && pin.is_none() {
            return Ok(None);
        }
        let Ok(name) = Name::new(name) else { return Ok(None) };
        let _one = self.one.lock().await;
        let Some(record) = store.pin(&name).await? else { return Ok(None) };
        let known = |known| Ok(Some(Speaker { person: record.person, known: Some(known) }));
        if own == Some(record.person) {
            return known(Known::OwnToken);
        }
        let Some(Digits(pin)) = pin else { return Ok(None) };
        match heard(store, &record, pin, now).await? {
            Ok(()) => known(Known::Pin),
            Err(why) => Err(why.refusal(field, name.as_str()).into()),
        }
    }
}

/// Hears a PIN, and counts it when it is wrong.
async fn heard(
    store: &dyn Store,
    record: &PinRecord,
    pin: String,
    now: Ts,
) -> Result<Result<(), Unproven<'static>>, Failure> {
    let Some(kept) = record.hash.clone() else { return Ok(Err(Unproven::NotSet)) };
    let hearing = record.wrong.hearing(now);
    if hearing != Hearing::Open {
        return Ok(Err(Unproven::NotHeard(hearing, now)));
    }
    if away(move || is_kept(&pin, &kept)).await? {
        if record.wrong.count > 0 {
            store.note_pin(record.person, true, now).await?;
        }
        return Ok(Ok(()));
    }
    store.note_pin(record.person, false, now).await?;
    let wrong = record.wrong.and_another(now);
    Ok(Err(match wrong.hearing(now) {
        Hearing::Open => Unproven::Wrong(wrong.left()),
        closed @ (Hearing::Pausing(_) | Hearing::Shut) => Unproven::NotHeard(closed, now),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use argon2::{AssociatedData, ParamsBuilder};

    #[test]
    fn a_kept_pin_says_how_it_was_hashed_and_differs_each_time() {
        let (one, other) = (hashed("271828").unwrap(), hashed("271828").unwrap());
        assert!(one.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{one}");
        assert_ne!(one, other);
        assert!(is_kept("271828", &one) && is_kept("271828", &other));
        assert!(!is_kept("271829", &one) && !is_kept("", &one) && !is_kept("271828", "271828"));
    }

    /// RFC 9106, section 5.3: the test vector of Argon2id.
    #[test]
    fn the_hash_is_that_of_the_standard() {
        let data = AssociatedData::new(&[4; 12]).unwrap();
        let params =
            ParamsBuilder::new().m_cost(32).t_cost(3).p_cost(4).data(data).output_len(32).build().unwrap();
        let argon2 = Argon2::new_with_secret(&[3; 8], Algorithm::Argon2id, Version::V0x13, params).unwrap();
        let mut tag = [0; 32];
        argon2.hash_password_into(&[1; 32], &[2; 16], &mut tag).unwrap();
        assert_eq!(hex::encode(tag), "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659");
    }
}
