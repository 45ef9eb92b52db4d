//! Typed numbers and keys: one type per noun, so that a machine is never passed where a meter is meant.
//!
//! Numbers are given out by the site's row in the store, one after the other, so they are the same on both
//! engines and a person can say them aloud.

use serde::{Deserialize, Serialize};
use std::fmt;

macro_rules! number {
    ($(#[$doc:meta])* $name:ident, $inner:ty) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub $inner);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    };
}

number!(
    /// A site: one shop floor. Number 0 is the installation itself (its journal, people, tokens and sites).
    SiteId, u32
);
number!(
    /// A machine of a site.
    MachineId, i64
);
number!(
    /// A meter of a site; each belongs to one machine.
    MeterId, i64
);
number!(
    /// A test point of a site; each belongs to one machine.
    PointId, i64
);
number!(
    /// A task of a site; each belongs to one machine.
    TaskId, i64
);
number!(
    /// A work order of a site: the bare number that people say.
    OrderNumber, i64
);
number!(
    /// A closing of a site.
    ClosingId, i64
);
number!(
    /// A person of the installation. The journal knows people by this number only, so a name can be erased.
    PersonId, i64
);
number!(
    /// A token of the installation.
    TokenId, i64
);

impl SiteId {
    /// The installation's own journal: people, tokens, sites and signing keys.
    pub const INSTALLATION: SiteId = SiteId(0);
}
