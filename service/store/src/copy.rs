//! Moving all data from one place to another, engine to engine: row by row as it stands, so that journals keep their roots.

use crate::contract::{JournalHead, Result, StoreError};
use async_trait::async_trait;
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::leaf::hash_of;
use fettler_domain::journal::{Frontier, Hash};

/// Rows that are held at once.
const ROWS: usize = 2_000;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Whole numbers.
    N,
    /// Texts.
    T,
    /// Bytes.
    B,
}

/// A value of a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Cell {
    /// Nothing, in a column of this kind.
    Nothing(Kind),
    /// A whole number.
    Number(i64),
    /// A text.
    Text(String),
    /// Bytes.
    Bytes(Vec<u8>),
}

/// A table: its name, how many of its columns are its key, and its columns, those of the key first.
#[derive(Debug)]
pub(crate) struct Table {
    pub(crate) name: &'static str,
    pub(crate) key: usize,
    pub(crate) columns: &'static [(&'static str, Kind)],
}

use Kind::{B, N, T};

/// Every table, in an order in which no row names one that comes later. Leases are left behind: whoever serves the new
/// place takes them anew.
pub(crate) const TABLES: &[Table] = &[
    Table {
        name: "token",
        key: 1,
        columns: &[
            ("number", N),
            ("name", T),
            ("hash", B),
            ("made_at", N),
            ("leaf", N),
            ("roles", T),
            ("sites", T),
            ("expires_at", N),
            ("revoked_at", N),
            ("used_at", N),
            ("person", N),
            ("identity", T),
        ],
    },
    Table { name: "person", key: 1, columns: &[("number", N), ("name", T), ("added_at", N), ("leaf", N)] },
    Table {
        name: "person_pin",
        key: 1,
        columns: &[("person", N), ("hash", T), ("set_at", N), ("leaf", N), ("wrong", N), ("wrong_at", N)],
    },
    Table {
        name: "site",
        key: 1,
        columns: &[("number", N), ("key", T), ("card", T), ("calendar", T), ("leaf", N)],
    },
    Table {
        name: "site_head",
        key: 1,
        columns: &[
            ("site", N),
            ("writes", N),
            ("lineage", N),
            ("journal_size", N),
            ("frontier", B),
            ("next_site", N),
            ("next_person", N),
            ("next_token", N),
            ("next_machine", N),
            ("next_meter", N),
            ("next_point", N),
            ("next_task", N),
            ("next_order", N),
            ("next_closing", N),
            ("calendar_revision", N),
            ("fleet_epoch", N),
            ("fleet_marks", N),
        ],
    },
    Table {
        name: "journal_leaf",
        key: 2,
        columns: &[
            ("site", N),
            ("number", N),
            ("at", N),
            ("kind", T),
            ("subject", T),
            ("person", N),
            ("bytes", B),
            ("hash", B),
        ],
    },
    Table {
        name: "journal_node",
        key: 3,
        columns: &[("site", N), ("level", N), ("position", N), ("hash", B)],
    },
    Table {
        name: "journal_key",
        key: 1,
        columns: &[("number", N), ("installation", T), ("public", B), ("made_at", N), ("leaf", N)],
    },
    Table {
        name: "checkpoint",
        key: 3,
        columns: &[("site", N), ("lineage", N), ("size", N), ("root", B), ("made_at", N), ("note", T)],
    },
    Table { name: "sealed_note", key: 2, columns: &[("site", N), ("leaf", N), ("salt", B), ("text", T)] },
    Table {
        name: "request",
        key: 4,
        columns: &[
            ("site", N),
            ("token", N),
            ("method", T),
            ("id", T),
            ("digest", B),
            ("result", T),
            ("leaf", N),
            ("expires", N),
        ],
    },
    Table {
        name: "source",
        key: 2,
        columns: &[("site", N), ("name", T), ("rank", N), ("feeds", T), ("leaf", N)],
    },
    Table {
        name: "machine",
        key: 2,
        columns: &[
            ("site", N),
            ("number", N),
            ("tag", T),
            ("name", T),
            ("family", T),
            ("area", T),
            ("state", T),
            ("since", N),
            ("reason", T),
            ("by_person", N),
            ("card", T),
            ("leaf", N),
        ],
    },
    Table { name: "machine_name", key: 2, columns: &[("site", N), ("name", T), ("machine", N)] },
    Table {
        name: "meter",
        key: 2,
        columns: &[
            ("site", N),
            ("number", N),
            ("machine", N),
            ("key", T),
            ("kind", T),
            ("feed", T),
            ("max_per_hour", N),
            ("known_to", N),
            ("leaf", N),
        ],
    },
    Table { name: "meter_month", key: 3, columns: &[("site", N), ("meter", N), ("month", N), ("amount", N)] },
    Table {
        name: "replacement",
        key: 3,
        columns: &[
            ("site", N),
            ("meter", N),
            ("at", N),
            ("closing", N),
            ("opening", N),
            ("segment_start", N),
            ("segment_amount", N),
            ("leaf", N),
        ],
    },
    Table {
        name: "adjustment",
        key: 4,
        columns: &[("site", N), ("meter", N), ("at", N), ("leaf", N), ("amount", N)],
    },
    Table {
        name: "point",
        key: 2,
        columns: &[("site", N), ("number", N), ("machine", N), ("key", T), ("card", T), ("leaf", N)],
    },
    Table {
        name: "reading",
        key: 2,
        columns: &[
            ("site", N),
            ("leaf", N),
            ("machine", N),
            ("point", N),
            ("at", N),
            ("value", N),
            ("verdict", T),
            ("closing", N),
            ("withdrawn", N),
            ("record", T),
        ],
    },
    crate::copy_fluids::FLUID_ENTRY,
    Table { name: "sheet", key: 2, columns: &[("site", N), ("key", T), ("card", T), ("leaf", N)] },
    Table {
        name: "task",
        key: 2,
        columns: &[
            ("site", N),
            ("number", N),
            ("machine", N),
            ("key", T),
            ("sheet", T),
            ("card", T),
            ("hazard", N),
            ("active", N),
            ("leaf", N),
        ],
    },
    Table { name: "task_cover", key: 3, columns: &[("site", N), ("larger", N), ("smaller", N)] },
    Table {
        name: "rule_version",
        key: 3,
        columns: &[
            ("site", N),
            ("task", N),
            ("version", N),
            ("effective", N),
            ("rule", T),
            ("leaf", N),
            ("withdrawn", N),
        ],
    },
    Table {
        name: "last_done",
        key: 2,
        columns: &[("site", N), ("task", N), ("day", N), ("counts", T), ("leaf", N)],
    },
    Table { name: "rest", key: 3, columns: &[("site", N), ("machine", N), ("starts", N), ("ends", N)] },
    Table {
        name: "ledger",
        key: 5,
        columns: &[
            ("site", N),
            ("source", T),
            ("report", T),
            ("revision", N),
            ("digest", B),
            ("leaf", N),
            ("meter", N),
            ("starts", N),
            ("ends", N),
            ("kind", T),
            ("unit", T),
            ("amount", N),
            ("state", T),
            ("segment_start", N),
            ("segment_amount", N),
            ("machine", N),
            ("machine_sent", T),
            ("meter_sent", T),
            ("settlement", T),
            ("held", T),
            ("reason", T),
            ("counts_from", N),
            ("waiting", N),
            ("received_at", N),
            ("token", N),
        ],
    },
    Table {
        name: "work_order",
        key: 2,
        columns: &[
            ("site", N),
            ("number", N),
            ("machine", N),
            ("task", N),
            ("title", T),
            ("hazard", N),
            ("state", T),
            ("opened_at", N),
            ("raised_at", N),
            ("raised_by", N),
            ("card", T),
            ("ended_at", N),
            ("reason", T),
            ("skipped_by", N),
            ("closing", N),
            ("leaf", N),
            ("planned", N),
        ],
    },
    Table {
        name: "closing",
        key: 2,
        columns: &[
            ("site", N),
            ("number", N),
            ("work_order", N),
            ("task", N),
            ("machine", N),
            ("done_at", N),
            ("entered_at", N),
            ("covered_by", N),
            ("undone", N),
            ("record", T),
            ("leaf", N),
        ],
    },
    Table {
        name: "item",
        key: 2,
        columns: &[
            ("site", N),
            ("number", N),
            ("name", T),
            ("code", T),
            ("card", T),
            ("shelf", T),
            ("leaf", N),
        ],
    },
    Table {
        name: "stock_use",
        key: 2,
        columns: &[
            ("site", N),
            ("leaf", N),
            ("item", N),
            ("at", N),
            ("amount", N),
            ("closing", N),
            ("returned", N),
            ("taken", T),
        ],
    },
    Table {
        name: "round_record",
        key: 3,
        columns: &[("site", N), ("shift", N), ("machine", N), ("answers", T), ("leaf", N)],
    },
    Table {
        name: "check_order",
        key: 3,
        columns: &[("site", N), ("machine", N), ("check_key", T), ("number", N)],
    },
    Table {
        name: "handover",
        key: 2,
        columns: &[
            ("site", N),
            ("leaf", N),
            ("shift", N),
            ("record", T),
            ("acknowledged_by", N),
            ("acknowledged_at", N),
        ],
    },
    crate::copy_calendars::DUE_CALENDAR,
    crate::copy_calendars::DUE_ENTRY,
    crate::copy_outbound::OUTBOUND,
    crate::copy_outbound::OUTBOUND_HEAD,
    crate::copy_outbound::OUTBOUND_READER,
    Table {
        name: "fleet_figures",
        key: 3,
        columns: &[("site", N), ("family", T), ("kind", T), ("machines", N), ("figures", T)],
    },
    Table { name: "fleet_day", key: 1, columns: &[("site", N), ("as_of", N), ("marks", N), ("at", N)] },
    Table {
        name: "planned_period",
        key: 3,
        columns: &[("site", N), ("meter", N), ("starts", N), ("ends", N)],
    },
    Table {
        name: "planned_shift",
        key: 4,
        columns: &[("site", N), ("meter", N), ("starts", N), ("ends", N), ("amount", N), ("leaf", N)],
    },
    Table {
        name: "plan",
        key: 2,
        columns: &[
            ("site", N),
            ("number", N),
            ("section", N),
            ("key_time", N),
            ("machine", N),
            ("task", N),
            ("area", T),
            ("due", N),
            ("opens", N),
            ("late", N),
            ("covered_by", N),
            ("hazard", N),
            ("as_of", N),
            ("fleet_epoch", N),
            ("calendar", N),
            ("zone_data", T),
            ("planner", N),
            ("stale", N),
            ("payload", T),
            ("sure_time", N),
        ],
    },
];

/// A place that is copied from or to, in one transaction.
#[async_trait]
pub(crate) trait Side: Send {
    /// Begins reading: every statement sees one state.
    async fn begin_read(&mut self) -> Result<()>;
    /// Begins writing.
    async fn begin_write(&mut self) -> Result<()>;
    /// Makes durable what was written, and has the engine look at how much it is.
    async fn commit(&mut self) -> Result<()>;
    /// Removes the rows that a new schema begins with; false, and nothing is done, when more has happened since.
    async fn clear_new(&mut self) -> Result<bool>;
    /// Rows of a table after one with this key, in the order of the keys.
    async fn read(
        &mut self,
        table: &'static Table,
        after: Option<&[Cell]>,
        limit: usize,
    ) -> Result<Vec<Vec<Cell>>>;
    /// Writes rows of a table.
    async fn write(&mut self, table: &'static Table, rows: &[Vec<Cell>]) -> Result<()>;
    /// The journals: the installation's and each site's.
    async fn heads(&mut self) -> Result<Vec<(SiteId, JournalHead)>>;
}

/// What was copied.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Copied {
    /// How many rows.
    pub rows: u64,
    /// The journals, each with its head, which is the same in both places.
    pub journals: Vec<(SiteId, JournalHead)>,
}

/// Copies everything into a new place and shows that the journals there are the same: each leaf is hashed again.
pub(crate) async fn copy(from: &mut dyn Side, to: &mut dyn Side) -> Result<Copied> {
    from.begin_read().await?;
    to.begin_write().await?;
    if !to.clear_new().await? {
        let text = "holds data already; copying goes only into a new folder or an empty database";
        return Err(StoreError::Refused(Error::invalid("to", text)));
    }
    let mut rows = 0;
    for table in TABLES {
        let mut after: Option<Vec<Cell>> = None;
        loop {
            let part = from.read(table, after.as_deref(), ROWS).await?;
            let Some(last) = part.last() else { break };
            after = Some(last[..table.key].to_vec());
            to.write(table, &part).await?;
            rows += part.len() as u64;
        }
    }
    let journals = from.heads().await?;
    if to.heads().await? != journals {
        return Err(damaged("the heads of the journals differ"));
    }
    for (site, head) in &journals {
        let root = root(to, *site).await?;
        if (root.0, root.1.0) != (head.size, head.root) {
            return Err(damaged(&format!("the leaves of site {site} do not add up to its root")));
        }
    }
    to.commit().await?;
    Ok(Copied { rows, journals })
}

fn damaged(text: &str) -> StoreError {
    StoreError::Corrupt { table: "journal_leaf", column: "hash", row: text.to_owned() }
}

/// The size and root of a site's journal, from the bytes of its leaves.
async fn root(place: &mut dyn Side, site: SiteId) -> Result<(i64, Hash)> {
    let leaves = TABLES.iter().find(|table| table.name == "journal_leaf");
    let leaves = leaves.ok_or_else(|| damaged("there is no table of leaves"))?;
    let at = |name| leaves.columns.iter().position(|(column, _)| *column == name).unwrap_or(usize::MAX);
    let (bytes, hash) = (at("bytes"), at("hash"));
    let mut frontier = Frontier::default();
    let number = i64::from(site.0);
    loop {
        let after = [Cell::Number(number), Cell::Number(frontier.size() - 1)];
        let part = place.read(leaves, Some(&after), ROWS).await?;
        let before = frontier.size();
        for row in part.iter().take_while(|row| row[0] == Cell::Number(number)) {
            let (Some(Cell::Bytes(bytes)), Some(Cell::Bytes(kept))) = (row.get(bytes), row.get(hash)) else {
                return Err(damaged("a leaf has no bytes"));
            };
            let own = hash_of(bytes);
            if own.0[..] != kept[..] || row[1] != Cell::Number(frontier.size()) {
                return Err(damaged(&format!("leaf {} of site {site}", frontier.size())));
            }
            frontier.push(own, |_| ());
        }
        if frontier.size() == before {
            return Ok((before, frontier.root()));
        }
    }
}
