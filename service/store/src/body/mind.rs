//! What the writer remembers of sites between transactions, so that a push need not read the declarations, the rules
//! and the closings of its machines again. It stands only while nobody else has taken the site's head in between.

use super::tx::Forget;
use fettler_domain::ids::SiteId;
use std::collections::BTreeMap;

/// What is remembered of one site.
#[derive(Default)]
pub(super) struct Mind {
    writes: i64,
}

/// What is remembered of each site.
#[derive(Default)]
pub(super) struct Minds {
    sites: BTreeMap<SiteId, Mind>,
}

impl Minds {
    /// After a commit in which the site's head was taken for the `writes`-th time.
    pub(super) fn committed(&mut self, site: SiteId, writes: i64, forget: &Forget) {
        match forget {
            Forget::All => {
                self.sites.remove(&site);
            }
            Forget::Machines(_) => {
                if let Some(mind) = self.sites.get_mut(&site) {
                    mind.writes = writes;
                }
            }
        }
    }

    /// After a roll-back: nothing remembered is sure.
    pub(super) fn forget_all(&mut self) {
        self.sites.clear();
    }
}
