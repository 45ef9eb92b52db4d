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
    /// Dropped after the connection.
    _asked: Option<Asked>,
}

/// A reading that somebody looks on, told when it is dropped: also where no connection was to be had, or its caller did not wait for one.
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
        ReadTx { tx, _asked: asked }
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

impl Drop for Asked {
    fn drop(&mut self) {
        self.onlooker.saw(Step::Read(ReadStep { what: self.what, asked: self.at, ended: Instant::now() }));
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

#[cfg(test)]
mod tests {
    use super::super::store::SqlStore;
    use super::*;
    use crate::contract::{Store as _, seen_by};
    use futures::FutureExt as _;
    use std::sync::Mutex;

    #[derive(Default)]
    struct Kept(Mutex<Vec<Step>>);

    impl Onlooker for Kept {
        fn saw(&self, step: Step) {
            self.0.lock().expect("nobody panicked").push(step);
        }
    }

    #[tokio::test]
    async fn a_reading_that_got_no_connection_is_told_of_as_well() {
        let (_folder, conn, readers, again) = super::super::super::scratch().await;
        let store = SqlStore::start(conn, readers.clone(), again);
        let kept = Arc::new(Kept::default());
        let seen = |read| seen_by(Some(kept.clone() as Arc<dyn Onlooker>), read);
        let told = || std::mem::take(&mut *kept.0.lock().expect("nobody panicked")).len();
        let mut held = Vec::new();
        for _ in 0..readers.options().get_max_connections() {
            held.push(readers.acquire().await.expect("a connection"));
        }
        // Its caller leaves while it waits for one.
        assert!(seen(store.sites()).now_or_never().is_none());
        assert_eq!(told(), 1);
        drop(held);
        seen(store.sites()).await.expect("sites");
        assert_eq!(told(), 1);
        readers.close().await;
        seen(store.sites()).await.expect_err("there are none any more");
        assert_eq!(told(), 1);
    }
}
