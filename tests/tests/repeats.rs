//! Every command that changes something, said twice under one request id: the second is taken, and nothing is
//! recorded again.

use fettler_tests::client::Ran;
use fettler_tests::service::Service;

const SHOP: &str = r#"people = ["Ada Kern", "Ben Holt"]

[site]
key = "north"
zone = "Europe/Berlin"

[[source]]
name = "erp"
rank = 1

[[machine]]
tag = "L-03"

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "belt"
title = "Check the belt"
every = "30 days"
cautions = ["switch off and lock out"]

[[machine.task]]
key = "way-oil"
title = "Top up the way oil"
every = "2 weeks"

[[machine]]
tag = "P-01"

[[machine.meter]]
kind = "operating"
feed = "readings"

[[machine]]
tag = "C-02"

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "filter"
title = "Change the filter"
every = "6 weeks"
"#;

/// A report of a machine that nobody declared, so that it is held.
const HELD: &[u8] =
    b"machine,report_id,start,end,hours\nGHOST,R-1,2026-03-02T05:00:00Z,2026-03-02T13:00:00Z,7\n";

/// A running service, and how many request ids were used.
struct Shop {
    service: Service,
    ids: u32,
}

impl Shop {
    fn said(&self, arguments: &[&str]) -> Ran {
        self.service.fettler(arguments)
    }

    /// The sizes and roots of both journals.
    fn journals(&self) -> [String; 2] {
        let head = |site: &str| self.said(&["journal", "head", "--site", site, "--output", "json"]).done();
        [head("north"), head("installation")]
    }

    /// Says something twice under one request id, and gives what the first time answered.
    fn twice(&mut self, arguments: &[&str]) -> serde_json::Value {
        self.ids += 1;
        let id = format!("0b2b3a52-6a0e-4a8c-9a53-{:012}", self.ids);
        let arguments = [arguments, &["--request-id", &id, "--output", "json"]].concat();
        let first = self.said(&arguments).done();
        let before = self.journals();
        let again = self.said(&arguments);
        assert_eq!(again.code, 0, "{arguments:?}\n{}", again.all());
        assert_eq!(self.journals(), before, "{arguments:?} was recorded again");
        serde_json::from_str(&first).expect("an answer")
    }

    /// The same for what somebody decides.
    fn decided(&mut self, arguments: &[&str]) -> serde_json::Value {
        self.twice(&[arguments, &["--by", "Ada Kern"]].concat())
    }

    /// The open order of a task.
    fn order(&self, machine: &str, task: &str) -> String {
        let why = self.said(&["why", machine, task, "--output", "json"]).done();
        let why: serde_json::Value = serde_json::from_str(&why).expect("an answer");
        why["item"]["order"].as_str().expect("an order").to_owned()
    }
}

#[test]
fn a_change_that_is_said_twice_under_one_request_id_is_one_change() {
    let service = Service::start();
    std::fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
    std::fs::write(service.data().join("done.csv"), "machine,task,day\nL-03,way-oil,2026-02-01\n")
        .expect("a file");
    let mut shop = Shop { service, ids: 0 };
    shop.decided(&["shop", "load", "shop.toml"]);
    shop.decided(&["shop", "last-done", "done.csv"]);
    shop.twice(&["person", "add", "Cem Yil"]);
    shop.decided(&["hours", "adjust", "L-03", "1.5", "--note", "gap"]);
    shop.decided(&["hours", "replace", "P-01", "--closing", "10"]);
    let raised = shop.decided(&["raise", "L-03", "Look for the oil drip"]);
    let raised = raised["item"]["order"].as_str().expect("an order");
    shop.decided(&["skip", raised, "--reason", "it was water"]);
    let belt = shop.order("L-03", "belt");
    shop.decided(&["close", &belt, "--cautions-confirmed"]);
    shop.decided(&["undo", &belt, "--reason", "wrong lathe"]);
    for (verb, reason) in [("rest", "no work"), ("return", "work"), ("forbid", "door"), ("retire", "sold")] {
        shop.decided(&["machine", verb, "C-02", "--reason", reason]);
    }
    let pushed = shop.service.fettler_with(&["hours", "push", "-", "--source", "erp"], HELD);
    assert_eq!(pushed.code, 1, "{}", pushed.all());
    shop.decided(&["hours", "settle", "erp", "R-1", "drop", "--revision", "0"]);
}
