//! The journal's leaf, form 1: the stored bytes are the hashed bytes.

use super::canonical::{Canonical, CanonicalError, ObjectWriter};
use super::tree::{Hash, leaf_hash};
use crate::ids::{PersonId, SiteId, TokenId};
use crate::near;
use crate::time::Ts;
use serde_json::Value;
use sha2::{Digest as _, Sha256};

/// The form written into every leaf.
pub const LEAF_FORM: u32 = 1;

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident = $word:literal),+ $(,)?) => {
        /// What kind of fact a leaf records.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Kind { $($(#[$doc])* $name),+ }

        impl Kind {
            /// Every kind.
            pub const ALL: &'static [Kind] = &[$(Kind::$name),+];

            /// The word that stands in the leaf.
            pub const fn word(self) -> &'static str {
                match self { $(Kind::$name => $word),+ }
            }
        }
    };
}

kinds! {
    /// A site was created or its settings (zone, shop day, shifts, closures) changed.
    SiteDeclared = "site.declared",
    /// A token was made. Its hash stands in the state, never the token.
    TokenMade = "token.made",
    /// A token was taken back.
    TokenRevoked = "token.revoked",
    /// The key that signs the installation's journals was made or replaced.
    KeyMade = "key.made",
    /// The journal was restored from a backup: the first entry of its lineage.
    JournalRestored = "journal.restored",
    /// A person was added; the name is sealed.
    PersonAdded = "person.added",
    /// A person was given a PIN, by themself where they are named as who said it. Neither it nor its hash stands in it.
    PinSet = "person.pin_set",
    /// A person's name was erased, by the person who is named in the leaf.
    PersonErased = "person.erased",
    /// A source of reports was given a rank or a meter kind.
    SourceDeclared = "source.declared",
    /// A machine was declared or its card changed.
    MachineDeclared = "machine.declared",
    /// A machine was laid up.
    MachineRested = "machine.rested",
    /// A machine must not start.
    MachineForbidden = "machine.forbidden",
    /// A machine returned to service.
    MachineReturned = "machine.returned",
    /// A machine left the shop for good.
    MachineRetired = "machine.retired",
    /// A meter was declared or changed.
    MeterDeclared = "meter.declared",
    /// A counter was replaced by one with another opening value.
    CounterReplaced = "counter.replaced",
    /// A manager booked an adjustment on a meter.
    AdjustmentBooked = "adjustment.booked",
    /// A test point was declared or changed.
    PointDeclared = "point.declared",
    /// A reading was taken at a test point.
    ReadingTaken = "reading.taken",
    /// A reading was withdrawn.
    ReadingWithdrawn = "reading.withdrawn",
    /// A fluid was added or changed, or waste came out of a sump or reservoir.
    FluidRecorded = "fluid.recorded",
    /// An entry of the record of fluids was withdrawn.
    FluidWithdrawn = "fluid.withdrawn",
    /// A task sheet was declared or changed.
    SheetDeclared = "sheet.declared",
    /// A task was declared or changed (its rule included).
    TaskDeclared = "task.declared",
    /// A task was retired.
    TaskRetired = "task.retired",
    /// It was stated when a task was last done before its record begins.
    LastDoneStated = "last_done.stated",
    /// A report arrived: what became of it, and which others count or no longer count by it.
    ReportArrived = "report.arrived",
    /// A manager settled a held report.
    ReportSettled = "report.settled",
    /// It was stated what is to run on a meter in a period, or that nothing is planned there any more.
    UsePlanned = "use.planned",
    /// An item on the shelf was declared or its card changed.
    ItemDeclared = "item.declared",
    /// Some of an item was received into stock.
    StockReceived = "stock.received",
    /// An item was counted on the shelf.
    StockCounted = "stock.counted",
    /// Some of an item was taken off the shelf by hand.
    StockIssued = "stock.issued",
    /// Some of an item was used for a work order, as its closing says.
    StockUsed = "stock.used",
    /// What a closing had used was returned to the stock, because the closing was undone.
    StockReturned = "stock.returned",
    /// A purchase of an item was recorded or restated.
    PurchaseRecorded = "purchase.recorded",
    /// What was open of a purchase will not come.
    PurchaseCancelled = "purchase.cancelled",
    /// Checks of a machine were answered in a round.
    RoundWalked = "round.walked",
    /// A round ended with a handover; its note is sealed.
    HandoverMade = "handover.made",
    /// Somebody has read a handover.
    HandoverAcknowledged = "handover.acknowledged",
    /// A work order was raised by hand.
    OrderRaised = "order.raised",
    /// A work order was closed.
    OrderClosed = "order.closed",
    /// A work order was skipped.
    OrderSkipped = "order.skipped",
    /// A closing was undone.
    ClosingUndone = "closing.undone",
    /// A work order became void because its rule has ended.
    OrderVoided = "order.voided",
    /// A work order that was void because its rule had ended is open again.
    OrderOpenAgain = "order.open_again",
    /// A secret address of a due calendar was made. Its hash stands in the state, never the address.
    DueCalendarMade = "due_calendar.made",
    /// A secret address of a due calendar was taken back.
    DueCalendarRevoked = "due_calendar.revoked",
    /// A manager accepted an advice: the interval was changed by it.
    AdviceAccepted = "advice.accepted",
    /// A manager declined an advice.
    AdviceDeclined = "advice.declined",
}

impl Kind {
    /// The kind with this word.
    pub fn from_word(word: &str) -> Option<Kind> {
        Kind::ALL.iter().copied().find(|kind| kind.word() == word)
    }

    /// The kinds whose words start so.
    pub fn starting(with: &str) -> impl Iterator<Item = Kind> {
        Kind::ALL.iter().copied().filter(move |kind| kind.word().starts_with(with))
    }

    /// What may be asked for where no kind starts as `asked` does: what is near, else all there is.
    pub fn none_starts(asked: &str) -> Option<String> {
        if Kind::starting(asked).next().is_some() {
            return None;
        }
        let words = Kind::ALL.iter().map(|kind| kind.word());
        let groups = words.clone().filter_map(|word| word.split('.').next());
        if let Some(question) = near::question(asked, words.chain(groups.clone())) {
            return Some(question);
        }
        let mut groups: Vec<&str> = groups.collect();
        groups.sort_unstable();
        groups.dedup();
        Some(format!("kinds start with {}", groups.join(", ")))
    }
}

/// One fact as the journal keeps it.
#[derive(Clone, Debug, PartialEq)]
pub struct Leaf {
    /// The site whose tree this leaf is in; 0 is the installation.
    pub site: SiteId,
    /// The lineage of that tree: 1, and a larger one after each restore.
    pub lineage: u32,
    /// The leaf's index in the tree, from 0.
    pub number: i64,
    /// When it was recorded.
    pub at: Ts,
    /// Who said it, when a person did.
    pub person: Option<PersonId>,
    /// The token by which it came; none for what the service does by itself.
    pub token: Option<TokenId>,
    /// The caller's request id, when one was given.
    pub request: Option<String>,
    /// What kind of fact.
    pub kind: Kind,
    /// What it is about, as a path inside the site: `orders/1042`.
    pub subject: String,
    /// The whole state after the fact; null when nothing remains.
    pub after: Canonical,
    /// SHA-256 of the canonical bytes of the state before; none when there was none.
    pub before: Option<Hash>,
}

impl Leaf {
    /// The bytes that are stored and hashed.
    pub fn to_bytes(&self) -> Result<Vec<u8>, CanonicalError> {
        let before = self.before.map(Hash::to_hex);
        let object = ObjectWriter::default()
            .value("after", &self.after)
            .number("at", Some(self.at.0))?
            .text("before", before.as_deref())
            .text("kind", Some(self.kind.word()))
            .number("lineage", Some(i64::from(self.lineage)))?
            .number("number", Some(self.number))?
            .number("person", self.person.map(|person| person.0))?
            .text("request", self.request.as_deref())
            .number("site", Some(i64::from(self.site.0)))?
            .text("subject", Some(&self.subject))
            .number("token", self.token.map(|token| token.0))?
            .number("v", Some(i64::from(LEAF_FORM)))?;
        Ok(object.end().into_bytes())
    }
}

/// The digest of a state, as the next leaf about the same subject cites it.
pub fn state_digest(state: &Value) -> Result<Hash, CanonicalError> {
    Ok(Hash(Sha256::digest(Canonical::of(state)?.as_str().as_bytes()).into()))
}

/// The RFC 6962 leaf hash of stored leaf bytes.
pub fn hash_of(bytes: &[u8]) -> Hash {
    leaf_hash(bytes)
}

/// A text that stands in the journal only as a salted digest, so that text and salt can be erased later without
/// breaking the journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    /// Random bytes kept beside the text.
    pub salt: [u8; 16],
    /// The text, kept outside the journal.
    pub text: String,
}

impl Sealed {
    /// What the journal holds: SHA-256 over the salt and the text, in hexadecimal.
    pub fn digest(&self) -> Hash {
        let mut sha = Sha256::new();
        sha.update(self.salt);
        sha.update(self.text.as_bytes());
        Hash(sha.finalize().into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_kind_that_is_none_is_told_with_what_there_is() {
        for known in ["order.closed", "order.", "order", "ord"] {
            assert_eq!(Kind::none_starts(known), None, "{known}");
        }
        assert_eq!(Kind::none_starts("oder.closed").unwrap(), "did you mean `order.closed`?");
        let all = Kind::none_starts("nonsense").unwrap();
        assert!(
            all.starts_with("kinds start with adjustment, advice, ") && all.contains("machine, meter"),
            "{all}"
        );
    }

    /// The form of a leaf can never change: these bytes are the contract.
    #[test]
    fn the_bytes_of_form_1_are_fixed() {
        let leaf = Leaf {
            site: SiteId(7),
            lineage: 1,
            number: 41,
            at: Ts(1_795_600_200_123_456),
            person: Some(PersonId(3)),
            token: Some(TokenId(1)),
            request: Some("5f0c".into()),
            kind: Kind::OrderClosed,
            subject: "orders/1042".into(),
            after: Canonical::of(&json!({"state": "closed", "minutes": 20})).expect("integers only"),
            before: Some(Hash([0xab; 32])),
        };
        let expect = format!(
            "{{\"after\":{{\"minutes\":20,\"state\":\"closed\"}},\"at\":1795600200123456,\"before\":\"{}\",\"kind\":\"order.closed\",\
             \"lineage\":1,\"number\":41,\"person\":3,\"request\":\"5f0c\",\"site\":7,\"subject\":\"orders/1042\",\"token\":1,\"v\":1}}",
            "ab".repeat(32)
        );
        assert_eq!(String::from_utf8(leaf.to_bytes().expect("integers only")).expect("UTF-8"), expect);
    }

    #[test]
    fn every_kind_has_its_own_word() {
        for kind in Kind::ALL {
            assert_eq!(Kind::from_word(kind.word()), Some(*kind));
        }
    }

    #[test]
    fn a_sealed_text_depends_on_its_salt() {
        let seal = |salt| Sealed { salt: [salt; 16], text: "bowl was full".into() }.digest();
        assert_ne!(seal(1), seal(2));
        assert_eq!(seal(1), seal(1));
    }
}
