//! Task sheets that come with the client: shop files with a site and a machine yet to be named. Whoever uses one makes it
//! their own; nothing looks back here afterwards.

use crate::{exit::Failure, shopfile};
use fettler_proto::v1 as pb;
use std::collections::BTreeSet;

/// The site's key in a sheet's file.
const SITE: &str = "SITE";
/// The machine's tag in a sheet's file.
const MACHINE: &str = "MACHINE";
/// The meter that sheets count.
const METER: &str = "operating";
/// What stands above all of them.
pub(crate) const OVERRIDES: &str = "The machine builder's manual overrides every line of a sheet, and so do suppliers, data sheets and local codes.";

/// Every sheet: its name, and its file.
pub(crate) const ALL: &[(&str, &str)] = &[
    ("tool-grinder", include_str!("../sheets/tool-grinder.toml")),
    ("lathe", include_str!("../sheets/lathe.toml")),
    ("machining-centre", include_str!("../sheets/machining-centre.toml")),
    ("grinder", include_str!("../sheets/grinder.toml")),
    ("compressor", include_str!("../sheets/compressor.toml")),
    ("mist-extractor", include_str!("../sheets/mist-extractor.toml")),
    ("chiller", include_str!("../sheets/chiller.toml")),
    ("start-up", include_str!("../sheets/start-up.toml")),
];

/// A sheet as it is shipped.
#[derive(Clone, Debug)]
pub(crate) struct Shipped {
    /// The sheet.
    pub(crate) sheet: pb::TaskSheet,
    /// What it counts and reads on a machine.
    pub(crate) machine: pb::MachineCard,
}

/// The file of the sheet with this name.
pub(crate) fn file(name: &str) -> Result<&'static str, Failure> {
    let found = ALL.iter().find(|(of, _)| *of == name).map(|(_, text)| *text);
    found.ok_or_else(|| {
        let names: Vec<&str> = ALL.iter().map(|(name, _)| *name).collect();
        Failure::usage(format!("there is no sheet `{name}`; there are {}", names.join(", ")))
            .with_near(name, &names)
    })
}

/// The shop that a sheet's file declares, its site and machine yet to be named.
pub(crate) fn shop(name: &str) -> Result<pb::Shop, Failure> {
    shopfile::read(&format!("{name}.toml"), file(name)?)
}

/// The sheet with this name.
pub(crate) fn read(name: &str) -> Result<Shipped, Failure> {
    let mut shop = shop(name)?;
    let sheet = shop.sheets.pop().expect("a test reads the sheet of every file");
    let machine = shop.machines.pop().expect("a test reads the machine of every file");
    debug_assert!(machine.tag == MACHINE && shop.site.is_some_and(|site| site.key == SITE));
    Ok(Shipped { sheet, machine })
}

/// What is to be declared so that a machine of a shop is cared for by a sheet.
#[derive(Debug, PartialEq)]
pub(crate) struct Use {
    /// The declaration.
    pub(crate) shop: pb::Shop,
    /// What whoever uses it should know.
    pub(crate) remarks: Vec<String>,
}

/// Fits a sheet to a machine of a shop as it stands: its points beside those that are there, its hours by the meter that is
/// there, its tasks beside those that the machine has. What the shop has under the sheet's key already stays as the shop has it; a
/// sheet of the shop's own that only bears that key stands in nobody's way.
pub(crate) fn fit(shipped: Shipped, shop: &pb::Shop, tag: &str, meter: Option<&str>) -> Result<Use, Failure> {
    let Shipped { mut sheet, machine: wanted } = shipped;
    let stands = shop.machines.iter().find(|machine| machine.tag == tag).ok_or_else(|| {
        Failure::usage(format!("there is no machine `{tag}` in the shop"))
            .with_hint("`fettler machine list` shows those there are; a new one is declared in a shop file")
    })?;
    let mut remarks = Vec::new();
    let mut meters = Vec::new();
    match meter_of(stands, meter)? {
        None => meters.clone_from(&wanted.meters),
        Some(key) if key == METER => {}
        Some(key) => {
            count_by(&mut sheet, key);
            remarks.push(format!(
                "hours are counted by the meter `{key}`, so the sheet is `{}` here",
                sheet.key
            ));
        }
    }
    let is_new = |point: &&pb::TestPoint| !stands.points.iter().any(|own| own.key == point.key);
    let points: Vec<pb::TestPoint> = wanted.points.iter().filter(is_new).cloned().collect();
    if points.len() < wanted.points.len() {
        let kept = wanted.points.len() - points.len();
        remarks.push(format!("{kept} test points were there already and stay as they are"));
    }
    beside_others(&mut sheet, shop, stands, &mut remarks);
    let known = shop.sheets.iter().any(|own| own.key == sheet.key);
    if known {
        remarks.push(format!("the shop has a sheet `{}` already; it stays as the shop has it", sheet.key));
    }
    let card = pb::MachineCard {
        tag: tag.to_owned(),
        sheets: vec![sheet.key.clone()],
        meters,
        points,
        ..Default::default()
    };
    let site = shop.site.as_ref().map(|site| site.key.clone()).unwrap_or_default();
    let shop = pb::Shop {
        site: Some(pb::Site { key: site, ..Default::default() }),
        sheets: if known { Vec::new() } else { vec![sheet] },
        machines: vec![card],
        ..Default::default()
    };
    Ok(Use { shop, remarks })
}

/// Leaves out the tasks that the machine has from other sheets, and gives the sheet a key of its own where it is cut, or where the
/// shop's sheet of that key is another one.
fn beside_others(
    sheet: &mut pb::TaskSheet,
    shop: &pb::Shop,
    machine: &pb::MachineCard,
    remarks: &mut Vec<String>,
) {
    let own_key = format!("{}-{}", sheet.key, machine.tag);
    let is_another = shop.sheets.iter().any(|own| own.key == sheet.key && !is_like(own, sheet));
    let is_this = |key: &String| *key == own_key || (!is_another && *key == sheet.key);
    let others = shop.sheets.iter().filter(|own| machine.sheets.contains(&own.key) && !is_this(&own.key));
    let of_others: Vec<(&str, &str)> = others
        .flat_map(|own| own.tasks.iter().map(|task| (task.key.as_str(), own.key.as_str())))
        .filter(|(key, _)| sheet.tasks.iter().any(|task| task.key == *key))
        .collect();
    let left_out: Vec<String> =
        of_others.iter().map(|(key, of)| format!("`{key}` comes from its sheet `{of}`")).collect();
    if !is_another && left_out.is_empty() {
        return;
    }
    if is_another {
        remarks.push(format!("the shop has another sheet `{}`, so this one is `{own_key}` here", sheet.key));
    }
    if !left_out.is_empty() {
        remarks.push(format!(
            "left out of `{own_key}`, as {} has it already and it stays as it is: {}",
            machine.tag,
            left_out.join(", ")
        ));
    }
    sheet.tasks.retain(|task| !of_others.iter().any(|(key, _)| *key == task.key));
    sheet.key = own_key;
}

/// Whether a shop's sheet is the shipped one, though changed: it has half of its tasks and checks at least.
fn is_like(own: &pb::TaskSheet, shipped: &pb::TaskSheet) -> bool {
    let keys = |sheet: &pb::TaskSheet| -> BTreeSet<String> {
        let checks = sheet.checks.iter().map(|check| format!("check {}", check.key));
        sheet.tasks.iter().map(|task| format!("task {}", task.key)).chain(checks).collect()
    };
    let (own, shipped) = (keys(own), keys(shipped));
    2 * own.intersection(&shipped).count() >= shipped.len()
}

/// The machine's meter by which hours are counted; none where it has no meter of hours yet.
fn meter_of<'a>(machine: &'a pb::MachineCard, wanted: Option<&str>) -> Result<Option<&'a str>, Failure> {
    let of_hours = |meter: &&pb::MeterCard| {
        !matches!(meter.kind(), pb::MeterKind::Unspecified | pb::MeterKind::Cycles | pb::MeterKind::Litres)
    };
    let keys: Vec<&str> = machine.meters.iter().filter(of_hours).map(|meter| meter.key.as_str()).collect();
    let there = || if keys.is_empty() { "none".to_owned() } else { keys.join(", ") };
    if let Some(wanted) = wanted {
        let found = keys.iter().copied().find(|key| *key == wanted);
        return found.map(Some).ok_or_else(|| {
            Failure::usage(format!(
                "--meter: {} has no meter of hours `{wanted}`; it has {}",
                machine.tag,
                there()
            ))
        });
    }
    match keys.as_slice() {
        [] => Ok(None),
        [only] => Ok(Some(only)),
        many if many.contains(&METER) => Ok(Some(METER)),
        _ => Err(Failure::usage(format!(
            "{} has several meters of hours; say by which the sheet counts with --meter: {}",
            machine.tag,
            there()
        ))),
    }
}

/// Lets a sheet count hours by another meter, under a key of its own: other machines go on by theirs.
fn count_by(sheet: &mut pb::TaskSheet, meter: &str) {
    sheet.key = format!("{}-{meter}", sheet.key);
    let rules = sheet.tasks.iter_mut().filter_map(|task| task.rule.as_mut());
    for clause in rules.flat_map(|rule| &mut rule.clauses) {
        if let Some(pb::clause::Counts::Meter(counts)) = &mut clause.counts {
            meter.clone_into(&mut counts.meter);
        }
    }
}

#[cfg(test)]
mod tests;
