//! The shop as it is declared, to look things up in: a machine's test points, and its tasks whether its own or a sheet's.

use fettler_proto::v1 as pb;

/// A declared shop.
#[derive(Debug, Default)]
pub(crate) struct Declared(pub(crate) pb::Shop);

impl Declared {
    /// A machine's card.
    fn machine(&self, tag: &str) -> Option<&pb::MachineCard> {
        self.0.machines.iter().find(|card| card.tag == tag)
    }

    /// A test point of a machine.
    pub(crate) fn point(&self, tag: &str, key: &str) -> Option<&pb::TestPoint> {
        self.machine(tag)?.points.iter().find(|point| point.key == key)
    }

    /// A task of a machine; its own stands before that of a sheet.
    pub(crate) fn task(&self, tag: &str, key: &str) -> Option<&pb::TaskCard> {
        let card = self.machine(tag)?;
        let sheets =
            card.sheets.iter().filter_map(|key| self.0.sheets.iter().find(|sheet| sheet.key == *key));
        card.tasks.iter().chain(sheets.flat_map(|sheet| &sheet.tasks)).find(|task| task.key == key)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_machine_s_own_task_stands_before_that_of_its_sheet() {
        let task =
            |key: &str, certificate| pb::TaskCard { key: key.into(), certificate, ..Default::default() };
        let sheet = |key: &str, tasks| pb::TaskSheet { key: key.into(), tasks, ..Default::default() };
        let machine = pb::MachineCard {
            tag: "L-03".into(),
            sheets: vec!["care".into()],
            tasks: vec![task("bowl", true)],
            ..Default::default()
        };
        let declared = Declared(pb::Shop {
            sheets: vec![
                sheet("other", vec![task("oil", true)]),
                sheet("care", vec![task("bowl", false), task("oil", false)]),
            ],
            machines: vec![machine],
            ..Default::default()
        });
        let needs = |tag: &str, key: &str| declared.task(tag, key).map(|task| task.certificate);
        assert_eq!([needs("L-03", "bowl"), needs("L-03", "oil")], [Some(true), Some(false)]);
        assert_eq!([needs("L-03", "belt"), needs("L-04", "oil")], [None, None]);
    }
}
