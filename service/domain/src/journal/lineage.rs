//! Lineages: what a journal went on from when it was restored from a backup.
//!
//! A restore sets a journal back to what the backup holds. What was recorded after the backup is gone, though it was
//! acknowledged and may have been signed, so what is recorded from then on must not be taken for a continuation of it. So
//! the journal goes on under another number, its lineage, which stands in each later entry and in the name of each later
//! checkpoint. The first entry of a lineage tells of the restore.

use super::proof::Head;
use super::tree::Hash;
use crate::time::Ts;
use serde_json::{Value, json};

/// The lineage of a journal that was never restored.
pub const FIRST: u32 = 1;

/// The lineage that a restore opens: one that no lineage known has, and, as not all may be known, none that another restore
/// of the same backup has. Restores are not done twice in a second, so that the second since 1970 serves, where it is larger
/// than all that is known.
pub fn next(known: impl IntoIterator<Item = u32>, now: Ts) -> u32 {
    let second = u32::try_from(now.0 / 1_000_000).unwrap_or(0);
    known.into_iter().max().unwrap_or(FIRST).saturating_add(1).max(second)
}

/// What a journal was at a size, in a lineage.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stand {
    /// The lineage.
    pub lineage: u32,
    /// Its size and root.
    pub head: Head,
}

impl Stand {
    fn state(&self) -> Value {
        json!({"lineage": self.lineage, "root": self.head.root.to_hex(), "size": self.head.size})
    }

    fn read(state: &Value) -> Option<Stand> {
        let mut root = [0; 32];
        hex::decode_to_slice(state["root"].as_str()?, &mut root).ok()?;
        let lineage = u32::try_from(state["lineage"].as_u64()?).ok()?;
        let size = state["size"].as_i64().filter(|size| *size >= 0)?;
        Some(Stand { lineage, head: Head { size, root: Hash(root) } })
    }
}

/// What the entry says that opens a lineage.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Opening {
    /// The entry's number: as many entries stand before it as the backup held.
    pub number: i64,
    /// The lineage that it opens.
    pub lineage: u32,
    /// When the restore was done.
    pub at: Ts,
    /// What the backup held.
    pub backup: Stand,
    /// When the backup was made.
    pub made_at: Ts,
    /// The newest checkpoint that was known when the restore was done; what it knows beyond the backup is gone.
    pub cites: Option<Stand>,
}

impl Opening {
    /// What the entry is about.
    pub fn subject(&self) -> String {
        format!("lineages/{}", self.lineage)
    }

    /// The entry's state after.
    pub fn state(&self) -> Value {
        let mut backup = self.backup.state();
        backup["made_at"] = json!(self.made_at.0);
        json!({"backup": backup, "cites": self.cites.as_ref().map(Stand::state)})
    }

    /// Reads the stored bytes of such an entry.
    pub fn read(leaf: &[u8]) -> Option<Opening> {
        let leaf: Value = serde_json::from_slice(leaf).ok()?;
        let state = &leaf["after"];
        let cites = if state["cites"].is_null() { None } else { Some(Stand::read(&state["cites"])?) };
        Some(Opening {
            number: leaf["number"].as_i64()?,
            lineage: u32::try_from(leaf["lineage"].as_u64()?).ok()?,
            at: Ts(leaf["at"].as_i64()?),
            backup: Stand::read(&state["backup"])?,
            made_at: Ts(state["backup"]["made_at"].as_i64()?),
            cites,
        })
    }

    /// What is wrong with it where it stands: after so many entries with this root, of which the last is of `before`.
    pub fn fault(&self, stands_after: Head, before: u32) -> Option<&'static str> {
        if self.lineage <= before {
            Some("tells of a restore and opens no lineage")
        } else if self.number != stands_after.size || self.backup.head != stands_after {
            Some("tells of a backup that did not hold the entries before it")
        } else if self.backup.lineage != before {
            Some("tells of a backup of another lineage than the entries before it have")
        } else {
            None
        }
    }

    /// How many entries at least a checkpoint knew that the restore left behind, where one of that lineage was known.
    fn gone(&self) -> Option<i64> {
        let cited = self.cites.filter(|cited| cited.lineage == self.backup.lineage)?;
        Some(cited.head.size - self.backup.head.size).filter(|gone| *gone > 0)
    }

    /// The restore in few words, beside which its time stands.
    pub fn in_short(&self) -> String {
        let gone = self.gone().map_or_else(String::new, |gone| format!(", {gone} at least gone"));
        format!("from a backup of {} with {} entries{gone}", self.made_at, self.backup.head.size)
    }

    /// The restore in words.
    pub fn words(&self) -> String {
        let Opening { number, lineage, at, backup, made_at, cites } = self;
        let cited = match cites {
            None => "no checkpoint was known then".to_owned(),
            Some(cited) => match self.gone() {
                Some(gone) => format!(
                    "the newest checkpoint known then was of {} entries, so {gone} at least are gone",
                    cited.head.size
                ),
                None => format!(
                    "the newest checkpoint known then was of {} entries of lineage {}",
                    cited.head.size, cited.lineage
                ),
            },
        };
        format!(
            "restored at {at} from a backup of {made_at} with {} entries of lineage {}; {cited}; entry {number} opens \
             lineage {lineage}",
            backup.head.size, backup.lineage
        )
    }
}

/// What became of a checkpoint in a journal that may have been restored since.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate<'l> {
    /// The journal is to begin with its entries.
    Stands,
    /// A restore kept fewer entries than it knows.
    Gone(&'l Opening),
    /// It is of a lineage of which this restore kept nothing.
    LeftBehind(&'l Opening),
    /// It is of a later lineage than the journal, which is of this one.
    Ahead(u32),
}

impl Fate<'_> {
    /// What is to be said of a checkpoint; nothing where it stands.
    pub fn words(&self, kept: Stand) -> Option<String> {
        let (size, lineage) = (kept.head.size, kept.lineage);
        match self {
            Fate::Stands => None,
            Fate::Gone(by) => {
                let cited = match by.cites {
                    Some(cited) if cited == kept => ", which is the one that the restore cites".to_owned(),
                    Some(cited) if cited.lineage == lineage => {
                        format!(", while the restore cites one of {}", cited.head.size)
                    }
                    _ => ", while the restore knew of none".to_owned(),
                };
                Some(format!(
                    "it knows {size} entries of lineage {lineage}{cited}; the restore at {} kept the first {} of them, and {} \
                     are gone (entry {} tells of it)",
                    by.at,
                    by.number,
                    size - by.number,
                    by.number
                ))
            }
            Fate::LeftBehind(by) => Some(format!(
                "it is of lineage {lineage}, of which nothing was kept: the restore at {} went on from a backup of lineage {} \
                 with {} entries (entry {} tells of it)",
                by.at, by.backup.lineage, by.number, by.number
            )),
            Fate::Ahead(now) => Some(format!(
                "it is of lineage {lineage} and the journal of lineage {now}: the journal was set back to before a restore"
            )),
        }
    }
}

/// The lineages of a journal: the first, and those that its entries opened.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Lineages {
    openings: Vec<Opening>,
}

impl Lineages {
    /// From the entries that open lineages, in their order.
    pub fn of(openings: Vec<Opening>) -> Lineages {
        Lineages { openings }
    }

    /// Takes the next entry: what it says of its lineage, and, where it tells of a restore, its bytes with what stands before
    /// it. The error says why it does not belong there; an opening is taken all the same, so that those behind it are not
    /// blamed for it.
    pub fn take(&mut self, lineage: i64, opens: Option<(Head, &[u8])>) -> Result<(), String> {
        let now = self.now();
        let Some((before, leaf)) = opens else {
            return if lineage == i64::from(now) {
                Ok(())
            } else {
                Err(format!("is of lineage {lineage}, and lineage {now} is open"))
            };
        };
        let Some(opening) = Opening::read(leaf) else {
            return Err("tells of a restore in a form that this program does not know".to_owned());
        };
        if opening.lineage > now {
            self.openings.push(opening);
        }
        opening.fault(before, now).map_or(Ok(()), |fault| Err(fault.to_owned()))
    }

    /// The lineage of the journal.
    pub fn now(&self) -> u32 {
        self.openings.last().map_or(FIRST, |opening| opening.lineage)
    }

    /// The restores, in their order.
    pub fn openings(&self) -> &[Opening] {
        &self.openings
    }

    /// What became of a checkpoint of a lineage and a size.
    pub fn fate(&self, lineage: u32, size: i64) -> Fate<'_> {
        if lineage > self.now() {
            return Fate::Ahead(self.now());
        }
        let Some(by) = self.openings.iter().find(|opening| opening.lineage > lineage) else {
            return Fate::Stands;
        };
        let is_known = lineage == FIRST || self.openings.iter().any(|opening| opening.lineage == lineage);
        if !is_known {
            Fate::LeftBehind(by)
        } else if size > by.number {
            Fate::Gone(by)
        } else {
            Fate::Stands
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::tree::leaf_hash;

    fn stand(lineage: u32, size: i64) -> Stand {
        Stand { lineage, head: Head { size, root: leaf_hash(&size.to_be_bytes()) } }
    }

    fn opening(number: i64, lineage: u32, from: u32) -> Opening {
        let backup = stand(from, number);
        Opening { number, lineage, at: Ts(60_000_000), backup, made_at: Ts(0), cites: None }
    }

    #[test]
    fn a_lineage_is_one_that_no_other_has() {
        let at = |second: i64| Ts(second * 1_000_000 + 999_999);
        assert_eq!(next([1], at(1_795_600_200)), 1_795_600_200);
        assert_eq!(next([1, 1_795_600_200], at(1_795_600_200)), 1_795_600_201, "twice in a second");
        assert_eq!(next([7, 3], Ts(-1)), 8, "whatever the clock says");
        assert_eq!(next([u32::MAX], at(0)), u32::MAX, "no more are left");
    }

    #[test]
    fn what_became_of_a_checkpoint_follows_from_the_restores_since() {
        // 57 entries of lineage 1 were restored as lineage 20, and 70 entries of that as lineage 40; lineage 30 was another
        // restore, of which nothing is known here.
        let lineages = Lineages::of(vec![opening(57, 20, 1), opening(70, 40, 20)]);
        let of = |lineage, size| lineages.fate(lineage, size);
        let (first, second) = (&lineages.openings[0], &lineages.openings[1]);
        for (lineage, size, expect) in [
            (1, 50, Fate::Stands),
            (1, 57, Fate::Stands),
            (1, 58, Fate::Gone(first)),
            (20, 70, Fate::Stands),
            (20, 71, Fate::Gone(second)),
            (10, 5, Fate::LeftBehind(first)),
            (30, 60, Fate::LeftBehind(second)),
            (40, 700, Fate::Stands),
            (41, 1, Fate::Ahead(40)),
        ] {
            assert_eq!(of(lineage, size), expect, "{lineage}, {size}");
            assert_eq!(of(lineage, size).words(stand(lineage, size)).is_none(), expect == Fate::Stands);
        }
        let never = Lineages::default();
        assert_eq!((never.now(), never.fate(1, 9), never.fate(2, 1)), (1, Fate::Stands, Fate::Ahead(1)));
    }

    #[test]
    fn an_opening_is_read_as_it_was_written_and_stands_where_it_says() {
        use crate::ids::SiteId;
        use crate::journal::{Canonical, Kind, Leaf};
        for cites in [None, Some(stand(1, 60))] {
            let opening = Opening { cites, ..opening(57, 20, 1) };
            let leaf = Leaf {
                site: SiteId(1),
                lineage: 20,
                number: 57,
                at: opening.at,
                person: None,
                token: None,
                request: None,
                kind: Kind::JournalRestored,
                subject: opening.subject(),
                after: Canonical::of(&opening.state()).expect("integers only"),
                before: None,
            };
            assert_eq!(Opening::read(&leaf.to_bytes().expect("a leaf")), Some(opening));
            assert_eq!(opening.fault(stand(1, 57).head, 1), None);
            for (head, before) in [(stand(1, 56).head, 1), (stand(1, 57).head, 20), (stand(1, 57).head, 2)] {
                assert!(opening.fault(head, before).is_some(), "{head:?} {before}");
            }
        }
        assert_eq!(Opening::read(b"{}"), None);
    }

    #[test]
    fn a_restore_is_told_in_words() {
        let told = Opening { cites: Some(stand(1, 60)), ..opening(57, 20, 1) };
        assert_eq!(
            told.words(),
            "restored at 1970-01-01T00:01:00Z from a backup of 1970-01-01T00:00:00Z with 57 entries of lineage 1; the newest \
             checkpoint known then was of 60 entries, so 3 at least are gone; entry 57 opens lineage 20"
        );
        assert_eq!(told.in_short(), "from a backup of 1970-01-01T00:00:00Z with 57 entries, 3 at least gone");
        let lineages = Lineages::of(vec![told]);
        assert_eq!(
            lineages.fate(1, 60).words(stand(1, 60)).as_deref(),
            Some(
                "it knows 60 entries of lineage 1, which is the one that the restore cites; the restore at \
                 1970-01-01T00:01:00Z kept the first 57 of them, and 3 are gone (entry 57 tells of it)"
            )
        );
    }
}
