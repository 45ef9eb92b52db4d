//! What is measured of a call's steps where somebody looks on ([`Onlooker`]): its readings, and its writes, of which the writer notes
//! the times and tells nobody, so that telling holds nobody up.

use super::{Conn, Db};
use crate::contract::{Onlooker, ReadStep, Step, WriteStep, onlooker};
use sqlx::Transaction;
use std::ops::{Deref, DerefMut};
use std::sync::{Arc, OnceLock};
use std::time::Instant;

/// A connection on which every statement sees one state, given back at its end.
pub(super) struct ReadTx {
    tx: Transaction<'static, Db>,
    asked: Option<Asked>,
}

/// A reading that somebody looks on.
pub(super) struct Asked {
    onlooker: Arc<dyn Onlooker>,
    what: Option<&'static str>,
    at: Instant,
}

impl Asked {
    /// That a connection is asked for now, where somebody looks on.
    pub(super) fn now(what: Option<&'static str>) -> Option<Asked> {
        onlooker().map(|onlooker| Asked { onlooker, what, at: Instant::now() })
    }
}

impl ReadTx {
    pub(super) fn new(tx: Transaction<'static, Db>, asked: Option<Asked>) -> ReadTx {
        ReadTx { tx, asked }
    }
}

impl Deref for ReadTx {
    type Target = Conn;
    fn deref(&self) -> &Conn {
        &self.tx
    }
}

impl DerefMut for ReadTx {
    fn deref_mut(&mut self) -> &mut Conn {
        &mut self.tx
    }
}

impl Drop for ReadTx {
    fn drop(&mut self) {
        if let Some(Asked { onlooker, what, at }) = self.asked.take() {
            onlooker.saw(Step::Read(ReadStep { what, asked: at, ended: Instant::now() }));
        }
    }
}

/// What the writer notes of a transaction.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noted {
    pub(super) begun: Instant,
    pub(super) committing: Option<Instant>,
    pub(super) ended: Instant,
    pub(super) calls: usize,
}

/// Where it notes that; nowhere when nobody looks on.
#[derive(Clone, Debug, Default)]
pub(super) struct Note(Option<Arc<OnceLock<Noted>>>);

impl Note {
    /// Notes it. The first stands: a call is written once.
    pub(super) fn set(&self, noted: Noted) {
        if let Some(place) = &self.0 {
            let _ = place.set(noted);
        }
    }
}

/// A write that somebody may look on.
pub(super) struct Handed {
    looked: Option<(Arc<dyn Onlooker>, Instant)>,
    note: Note,
}

impl Handed {
    /// That it is handed over now.
    pub(super) fn now() -> Handed {
        match onlooker() {
            Some(onlooker) => {
                Handed { looked: Some((onlooker, Instant::now())), note: Note(Some(Arc::default())) }
            }
            None => Handed { looked: None, note: Note::default() },
        }
    }

    /// Where the writer notes the rest.
    pub(super) fn note(&self) -> Note {
        self.note.clone()
    }

    /// Tells what was noted, once the answer has come.
    pub(super) fn tell(self) {
        let noted = self.note.0.as_ref().and_then(|place| place.get().copied());
        if let Some(((onlooker, handed_over), noted)) = self.looked.zip(noted) {
            let Noted { begun, committing, ended, calls } = noted;
            onlooker.saw(Step::Written(WriteStep { handed_over, begun, committing, ended, calls }));
        }
    }
}
