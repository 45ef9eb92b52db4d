//! Tokens as an administrator handles them: made and taken back beside services that run, and what their holders then may.

use fettler_pg::Cluster;
use fettler_tests::client::Ran;
use fettler_tests::programs::program;
use fettler_tests::service::Service;
use std::fs;
use std::process::Command;

const SHOP: &str = r#"
people = ["Ada Kern"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "L-03"

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "guard"
title = "Test the door interlock"
every = "30 days"
hazard = true
"#;

/// Where tokens are kept, and the services that serve it.
struct Installation {
    services: Vec<Service>,
    database: Option<String>,
}

impl Installation {
    fn on_a_file() -> Installation {
        Installation { services: vec![Service::start()], database: None }.with_a_shop()
    }

    fn on_a_database() -> Installation {
        let database = Cluster::shared().empty();
        let services = (0..2).map(|_| Service::start_with(&["--database", &database])).collect();
        Installation { services, database: Some(database) }.with_a_shop()
    }

    fn with_a_shop(self) -> Installation {
        let service = &self.services[0];
        fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
        service.fettler(&["shop", "load", "shop.toml", "--by", "Ada Kern"]).done();
        self
    }

    /// Runs `fettlerd token` beside the services.
    fn token(&self, arguments: &[&str]) -> Ran {
        let mut command = Command::new(program("fettlerd"));
        command.arg("token").args(arguments).env_clear().arg("--data").arg(self.services[0].data());
        command.args(self.database.iter().flat_map(|database| ["--database", database]));
        let output = command.output().expect("it runs");
        Ran {
            code: output.status.code().expect("it ends by itself"),
            stdout: String::from_utf8(output.stdout).expect("UTF-8"),
            stderr: String::from_utf8(output.stderr).expect("UTF-8"),
        }
    }

    /// Makes a token and puts it where the client finds it.
    fn made(&self, file: &str, arguments: &[&str]) {
        let token = self.token(&[&["add"], arguments].concat()).done();
        assert!(token.starts_with("fettler_") && token.trim().len() == 51, "{token}");
        for service in &self.services {
            fs::write(service.data().join(file), &token).expect("a file");
        }
    }

    fn every_service_refuses(&self, file: &str, arguments: &[&str], reason: &str) {
        for service in &self.services {
            let ran = service.fettler(&[&["--token-file", file], arguments].concat());
            assert!(ran.code == 3 && ran.stderr.contains(reason), "{}", ran.all());
        }
    }
}

/// The number of the order that is open.
fn order(service: &Service) -> String {
    let orders = service.fettler(&["orders", "--state", "open", "--output", "json"]).done();
    let orders: serde_json::Value = serde_json::from_str(&orders).expect("JSON");
    orders["orders"][0]["number"].as_str().expect("an order").to_owned()
}

fn tokens_are_made_and_taken_back(shop: &Installation) {
    shop.made("tablet", &["tablet in hall A", "--role", "technician", "--site", "north"]);
    shop.made("erp", &["ERP", "--role", "reporter", "--expires", "90d"]);
    shop.made("boss", &["office", "--role", "manager", "--role", "technician"]);
    let order = order(&shop.services[0]);
    for service in &shop.services {
        service.fettler(&["--token-file", "tablet", "due"]).done();
    }
    let skip = ["skip", &order, "--by", "Ada Kern", "--reason", "licensed service comes"];
    shop.every_service_refuses("erp", &["due"], "ROLE_MISSING");
    shop.every_service_refuses("tablet", &["journal", "list"], "ROLE_MISSING");
    shop.every_service_refuses("tablet", &skip, "MANAGER_ONLY");
    shop.services[0].fettler(&[&["--token-file", "boss"], &skip[..]].concat()).done();

    let listed = shop.token(&["list"]).done();
    let row = listed.lines().find(|line| line.contains("tablet in hall A")).expect("it is listed");
    assert!(row.contains("technician") && row.contains("north") && row.ends_with("taken"), "{listed}");
    let secret = fs::read_to_string(shop.services[0].data().join("tablet")).expect("a token");
    assert!(!listed.contains(secret.trim()), "what a token is stands nowhere");
    let number = row.split_whitespace().next().expect("a number");
    shop.token(&["revoke", number]).done();
    // Each service remembers it for a second at most; there is nothing to wait for but that.
    for service in &shop.services {
        while service.fettler(&["--token-file", "tablet", "due"]).code == 0 {}
    }
    shop.every_service_refuses("tablet", &["due"], "TOKEN_REVOKED");
    let listed = shop.token(&["list"]).done();
    assert!(listed.lines().any(|line| line.starts_with(number) && line.contains("taken back")), "{listed}");
    let told =
        shop.services[0].fettler(&["journal", "list", "--site", "installation", "--kind", "token."]).done();
    assert!(told.contains("token.revoked") && told.matches("token.made").count() == 4, "{told}");
}

#[test]
fn tokens_are_made_and_taken_back_beside_a_service_on_a_file() {
    tokens_are_made_and_taken_back(&Installation::on_a_file());
}

#[test]
fn tokens_are_made_and_taken_back_for_all_services_on_a_database() {
    tokens_are_made_and_taken_back(&Installation::on_a_database());
}

#[test]
fn a_token_that_cannot_be_made_is_told_why() {
    let shop = Installation::on_a_file();
    for (arguments, why) in [
        (&["x", "--role", "boss"][..], "is no role"),
        (&["x"], "--role"),
        (&["x", "--role", "planner", "--site", "nowhere"], "there is no site `nowhere`"),
        (&["x", "--role", "planner", "--expires", "2020-01-01"], "is past"),
        (&[" x", "--role", "planner"], "space at its start"),
    ] {
        let ran = shop.token(&[&["add"], arguments].concat());
        assert!(ran.code != 0 && ran.stderr.contains(why), "{}", ran.all());
    }
    let ran = shop.token(&["revoke", "99"]);
    assert!(ran.code != 0 && ran.stderr.contains("there is no token `99`"), "{}", ran.all());
}
