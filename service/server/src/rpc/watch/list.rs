//! A due list as it is told to those who watch it, and what differs between two readings of it. Nothing here waits.

use crate::wire::page::PAGE_BYTES_MAX;
use crate::wire::time::stamp;
use fettler_domain::ids::OrderNumber;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::SiteRecord;
use prost::Message as _;
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, OnceLock};

/// Bytes of the hash by which a list is known to be the one that was told: enough that no other has it.
const DIGEST_LEN: usize = 16;

/// What one list is known by.
pub(super) type Digest = [u8; DIGEST_LEN];

/// A list as it was read.
pub(super) struct List {
    /// The site as it was declared then.
    pub(super) site: SiteRecord,
    /// When it was read.
    pub(super) as_of: Ts,
    /// What it is known by.
    pub(super) digest: Digest,
    /// What every message says.
    frame: v1::WatchDueResponse,
    head: v1::DueHead,
    items: Vec<v1::DueItem>,
    whole: OnceLock<Arc<[v1::WatchDueResponse]>>,
}

impl List {
    /// The list whose frame, head and items these are.
    pub(super) fn new(
        (site, as_of): (SiteRecord, Ts),
        frame: v1::WatchDueResponse,
        head: v1::DueHead,
        items: Vec<v1::DueItem>,
    ) -> List {
        let mut hash = Sha256::new();
        hash.update(frame.encode_length_delimited_to_vec());
        hash.update(head.encode_length_delimited_to_vec());
        for item in &items {
            hash.update(item.encode_length_delimited_to_vec());
        }
        let mut digest = [0; DIGEST_LEN];
        for (to, from) in digest.iter_mut().zip(hash.finalize()) {
            *to = from;
        }
        List { site, as_of, digest, frame, head, items, whole: OnceLock::new() }
    }

    /// The messages that tell all of it.
    pub(super) fn whole(&self) -> Arc<[v1::WatchDueResponse]> {
        let make = || {
            let mut parts = Parts::new(self.message(v1::WatchTold::List, self.as_of));
            parts.first().head = Some(self.head.clone());
            for item in &self.items {
                parts.room_for(item.encoded_len()).items.push(item.clone());
            }
            parts.end()
        };
        self.whole.get_or_init(make).clone()
    }

    /// Whether the same machines must not start as by another list.
    pub(super) fn forbids_as(&self, other: &List) -> bool {
        self.forbids(&other.head.forbidden)
    }

    /// Whether these are the machines that must not start, each for the same time and reason.
    pub(super) fn forbids(&self, machines: &[v1::Machine]) -> bool {
        let told = |machine: &v1::Machine| (machine.tag.clone(), machine.since, machine.reason.clone());
        self.head.forbidden.iter().map(told).eq(machines.iter().map(told))
    }

    /// That it still stands.
    pub(super) fn unchanged(&self, as_of: Ts) -> Arc<[v1::WatchDueResponse]> {
        Arc::new([self.message(v1::WatchTold::Unchanged, as_of)])
    }

    fn message(&self, told: v1::WatchTold, as_of: Ts) -> v1::WatchDueResponse {
        v1::WatchDueResponse { told: told.into(), as_of: Some(stamp(as_of)), ..self.frame.clone() }
    }

    /// The orders that stand on it and not on a later one.
    pub(super) fn left(&self, later: &List) -> Vec<OrderNumber> {
        let stands: BTreeSet<i64> = later.items.iter().map(|item| item.order).collect();
        let left: BTreeSet<i64> =
            self.items.iter().map(|item| item.order).filter(|order| !stands.contains(order)).collect();
        left.into_iter().map(OrderNumber).collect()
    }

    /// The messages that tell what a later list has otherwise, given the orders that have left; none where both say the same.
    pub(super) fn changes(&self, later: &List, left: Vec<v1::Order>) -> Option<Arc<[v1::WatchDueResponse]>> {
        if self.digest == later.digest {
            return None;
        }
        let told: BTreeMap<i64, &v1::DueItem> = self.items.iter().map(|item| (item.order, item)).collect();
        let mut parts = Parts::new(later.message(v1::WatchTold::Changes, later.as_of));
        parts.first().head = Some(later.head.clone()).filter(|head| *head != self.head);
        for order in left {
            parts.room_for(order.encoded_len()).left.push(order);
        }
        for item in &later.items {
            match told.get(&item.order) {
                None => parts.room_for(item.encoded_len()).items.push(item.clone()),
                Some(before) if **before != *item => {
                    parts.room_for(item.encoded_len()).changed.push(item.clone());
                }
                Some(_) => {}
            }
        }
        Some(parts.end())
    }
}

/// Messages of one telling, none of them too large to send.
struct Parts {
    frame: v1::WatchDueResponse,
    bytes: usize,
    all: Vec<v1::WatchDueResponse>,
}

impl Parts {
    fn new(frame: v1::WatchDueResponse) -> Parts {
        Parts { all: vec![frame.clone()], frame, bytes: 0 }
    }

    fn first(&mut self) -> &mut v1::WatchDueResponse {
        self.room_for(0)
    }

    /// The message that has room for so many bytes more.
    fn room_for(&mut self, bytes: usize) -> &mut v1::WatchDueResponse {
        if self.bytes > 0 && self.bytes + bytes > PAGE_BYTES_MAX {
            self.bytes = 0;
            self.all.push(self.frame.clone());
        }
        self.bytes += bytes;
        let last = self.all.len() - 1;
        &mut self.all[last]
    }

    fn end(mut self) -> Arc<[v1::WatchDueResponse]> {
        let last = self.all.len() - 1;
        for part in self.all.iter_mut().take(last) {
            part.goes_on = true;
        }
        self.all.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rpc::watch::testkit::site;

    fn item(order: i64, when: &str) -> v1::DueItem {
        v1::DueItem { order, when: when.into(), ..Default::default() }
    }

    fn list(held_reports: i64, items: &[v1::DueItem]) -> List {
        let frame = v1::WatchDueResponse { site: "north".into(), ..Default::default() };
        let head = v1::DueHead { held_reports, ..Default::default() };
        List::new((site(), Ts(0)), frame, head, items.to_vec())
    }

    fn orders(items: &[v1::DueItem]) -> Vec<i64> {
        items.iter().map(|item| item.order).collect()
    }

    #[test]
    fn what_entered_changed_and_left_is_told_and_nothing_else() {
        let before = list(0, &[item(1, "due today"), item(2, "due today"), item(3, "due today")]);
        let after = list(0, &[item(4, "due today"), item(2, "1 day late"), item(3, "due today")]);
        assert_eq!(before.left(&after), [OrderNumber(1)]);
        let left = v1::Order { number: 1, ..Default::default() };
        let told = before.changes(&after, vec![left]).unwrap();
        let [told] = &*told else { panic!("{told:?}") };
        assert_eq!((orders(&told.items), orders(&told.changed)), (vec![4], vec![2]));
        assert_eq!(told.left.iter().map(|order| order.number).collect::<Vec<_>>(), [1]);
        assert_eq!((told.told(), &told.head, told.goes_on), (v1::WatchTold::Changes, &None, false));
        assert!(after.changes(&list(0, &after.items), Vec::new()).is_none());
    }

    #[test]
    fn a_head_that_has_changed_is_told_by_itself() {
        let (before, after) = (list(0, &[item(1, "")]), list(2, &[item(1, "")]));
        let told = before.changes(&after, Vec::new()).unwrap();
        assert_eq!(told[0].head.as_ref().map(|head| head.held_reports), Some(2));
        assert_eq!((told[0].items.len(), told[0].changed.len()), (0, 0));
    }

    #[test]
    fn what_is_too_large_for_one_message_is_told_in_several() {
        let long = "x".repeat(PAGE_BYTES_MAX / 3);
        let items: Vec<v1::DueItem> = (1..=7).map(|order| item(order, &long)).collect();
        let told = list(1, &items).whole();
        assert_eq!(
            told.iter().flat_map(|part| orders(&part.items)).collect::<Vec<_>>(),
            [1, 2, 3, 4, 5, 6, 7]
        );
        assert!(told.iter().all(|part| part.encoded_len() <= PAGE_BYTES_MAX + 200), "{}", told.len());
        assert_eq!(
            told.iter().map(|part| (part.goes_on, part.head.is_some())).collect::<Vec<_>>(),
            [(true, true), (true, false), (true, false), (false, false)]
        );
    }
}
