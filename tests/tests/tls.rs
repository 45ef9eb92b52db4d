//! Encryption between the real programs: who is trusted, who is not, and a certificate in a token's place.

use fettler_server::certificate::{CertificateName, names};
use fettler_tests::client::{Ran, fettler};
use fettler_tests::oracle::http;
use fettler_tests::programs::program;
use fettler_tests::service::Service;
use rcgen::{
    BasicConstraints, CertificateParams, DistinguishedName, DnType, IsCa, Issuer, KeyPair, SanType,
    date_time_ymd,
};
use serde_json::json;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// An authority that signs certificates.
struct Authority {
    issuer: Issuer<'static, KeyPair>,
    certificate: String,
}

fn authority() -> Authority {
    let key = KeyPair::generate().expect("a key");
    let mut params = CertificateParams::new(Vec::new()).expect("no names");
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let certificate = params.self_signed(&key).expect("signed").pem();
    Authority { issuer: Issuer::new(params, key), certificate }
}

impl Authority {
    /// Writes a certificate with a common name alone, and its key, into a folder.
    fn sign_named(&self, folder: &Path, name: &str, common: &str) {
        let key = KeyPair::generate().expect("a key");
        let mut params = CertificateParams::new(Vec::new()).expect("no names");
        params.distinguished_name = DistinguishedName::new();
        params.distinguished_name.push(DnType::CommonName, common);
        let certificate = params.signed_by(&key, &self.issuer).expect("signed");
        fs::write(folder.join(format!("{name}.pem")), certificate.pem()).expect("a file");
        fs::write(folder.join(format!("{name}.key")), key.serialize_pem()).expect("a file");
    }

    /// Writes a certificate with many names, and its key, into a folder; gives it as bytes.
    fn sign_many(&self, folder: &Path, name: &str, names: &[SanType], common: &str) -> Vec<u8> {
        let key = KeyPair::generate().expect("a key");
        let mut params = CertificateParams::new(Vec::new()).expect("no names");
        params.subject_alt_names = names.to_vec();
        params.distinguished_name = DistinguishedName::new();
        params.distinguished_name.push(DnType::CommonName, common);
        let certificate = params.signed_by(&key, &self.issuer).expect("signed");
        fs::write(folder.join(format!("{name}.pem")), certificate.pem()).expect("a file");
        fs::write(folder.join(format!("{name}.key")), key.serialize_pem()).expect("a file");
        certificate.der().to_vec()
    }

    /// Writes a certificate for a name, and its key, into a folder.
    fn sign(&self, folder: &Path, name: &str, host: &str, is_over: bool) {
        let key = KeyPair::generate().expect("a key");
        let mut params = CertificateParams::new(vec![host.to_owned()]).expect("a name");
        // Of one name with its authority it would look as if it had signed itself.
        params.distinguished_name.push(DnType::CommonName, name);
        if is_over {
            params.not_before = date_time_ymd(2020, 1, 1);
            params.not_after = date_time_ymd(2021, 1, 1);
        }
        let certificate = params.signed_by(&key, &self.issuer).expect("signed");
        fs::write(folder.join(format!("{name}.pem")), certificate.pem()).expect("a file");
        fs::write(folder.join(format!("{name}.key")), key.serialize_pem()).expect("a file");
    }
}

/// An encrypted service, the folder of all certificates beside it, and who signed them.
struct Shop {
    service: Service,
    folder: TempDir,
    own: Authority,
}

impl Shop {
    /// With callers' certificates asked for, or not.
    fn open(asks_callers: bool) -> Shop {
        let folder = tempfile::tempdir().expect("a folder");
        let (own, other) = (authority(), authority());
        fs::write(folder.path().join("ca.pem"), &own.certificate).expect("a file");
        fs::write(folder.path().join("other-ca.pem"), &other.certificate).expect("a file");
        own.sign(folder.path(), "service", "127.0.0.1", false);
        own.sign(folder.path(), "erp", "erp.example", false);
        own.sign(folder.path(), "unknown", "unknown.example", false);
        own.sign(folder.path(), "over", "over.example", true);
        other.sign(folder.path(), "stranger", "erp.example", false);
        own.sign_named(folder.path(), "cell", "cell 7");
        let at = |name: &str| folder.path().join(name).to_str().expect("UTF-8").to_owned();
        let files = [at("service.pem"), at("service.key"), at("ca.pem")];
        let mut arguments = vec!["--tls-cert", &files[0], "--tls-key", &files[1]];
        if asks_callers {
            arguments.extend(["--tls-client-ca", &files[2]]);
        }
        let service = Service::start_with(&arguments);
        Shop { service, folder, own }
    }

    fn at(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().expect("UTF-8").to_owned()
    }

    fn call(&self, authority: &str, arguments: &[&str]) -> Ran {
        let endpoint = self.service.endpoint().replace("http:", "https:");
        let authority = self.at(authority);
        let arguments = [&["--ca-file", &authority], arguments].concat();
        fettler(&endpoint, self.service.data(), &arguments, b"")
    }

    fn call_as(&self, certificate: &str, arguments: &[&str]) -> Ran {
        let (certificate, key) =
            (self.at(&format!("{certificate}.pem")), self.at(&format!("{certificate}.key")));
        self.call("ca.pem", &[&["--client-cert", &certificate, "--client-key", &key], arguments].concat())
    }
}

#[test]
fn a_service_is_trusted_by_the_authority_of_its_certificate_only() {
    let shop = Shop::open(false);
    shop.call("ca.pem", &["person", "list"]).done();
    let ran = shop.call("other-ca.pem", &["person", "list"]);
    assert!(ran.code == 4 && ran.stderr.contains("not of the authority in --ca-file"), "{}", ran.all());
    // Whoever does not encrypt is not understood, and without an authority nobody is trusted.
    let plain = shop.service.fettler(&["person", "list"]);
    assert_eq!(plain.code, 4, "{}", plain.all());
    let endpoint = shop.service.endpoint().replace("http:", "https:");
    let ran = fettler(&endpoint, shop.service.data(), &["person", "list"], b"");
    assert!(ran.code == 2 && ran.stderr.contains("--ca-file"), "{}", ran.all());
}

#[test]
fn each_fault_of_the_encryption_says_what_to_do() {
    let shop = Shop::open(true);
    let hint = |ran: &Ran, hint: &str| {
        assert!(ran.code == 4 && ran.stderr.contains(hint), "no `{hint}`:\n{}", ran.all());
    };
    hint(&shop.call("other-ca.pem", &["person", "list"]), "not of the authority in --ca-file");
    hint(&shop.call("ca.pem", &["person", "list"]), "--client-cert FILE");
    let port = shop.service.endpoint().rsplit(':').next().expect("a port").to_owned();
    let called = |server: &str| {
        fettler(server, shop.service.data(), &["--ca-file", &shop.at("ca.pem"), "person", "list"], b"")
    };
    hint(&called(&format!("https://localhost:{port}")), "for another name");
    hint(&shop.service.fettler(&["person", "list"]), "--server https://HOST:PORT");
    // An encrypted caller of a service that is not, and a certificate that is over.
    let plain = Service::start();
    hint(&called(&plain.endpoint().replace("http:", "https:")), "--server http://HOST:PORT");
    shop.own.sign(shop.folder.path(), "old", "127.0.0.1", true);
    let old = Service::start_with(&["--tls-cert", &shop.at("old.pem"), "--tls-key", &shop.at("old.key")]);
    hint(&called(&old.endpoint().replace("http:", "https:")), "the certificate is over");
    // An authority's certificate shown as the service's own, which is what making one in one step mostly gives.
    let key = KeyPair::generate().expect("a key");
    let mut params = CertificateParams::new(vec!["127.0.0.1".to_owned()]).expect("a name");
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let certificate = params.self_signed(&key).expect("signed").pem();
    fs::write(shop.at("both.pem"), certificate).expect("a file");
    fs::write(shop.at("both.key"), key.serialize_pem()).expect("a file");
    let both = Service::start_with(&["--tls-cert", &shop.at("both.pem"), "--tls-key", &shop.at("both.key")]);
    let server = both.endpoint().replace("http:", "https:");
    let ran = fettler(&server, both.data(), &["--ca-file", &shop.at("both.pem"), "person", "list"], b"");
    hint(&ran, "basicConstraints CA:FALSE");
}

#[test]
fn a_caller_s_certificate_may_stand_in_a_token_s_place() {
    let shop = Shop::open(true);
    let made = Command::new(program("fettlerd"))
        .args(["token", "add", "ERP", "--role", "technician", "--certificate", &shop.at("erp.pem"), "--data"])
        .arg(shop.service.data())
        .env_clear()
        .output()
        .expect("it runs");
    assert!(made.status.success() && made.stdout.is_empty(), "{made:?}");
    shop.call_as("erp", &["person", "list"]).done();
    let ran = shop.call_as("erp", &["person", "add", "Cem Yil"]);
    assert!(ran.code == 3 && ran.stderr.contains("ROLE_MISSING"), "{}", ran.all());
    let ran = shop.call_as("unknown", &["person", "list"]);
    assert!(ran.code == 3 && ran.stderr.contains("CERTIFICATE_UNKNOWN"), "{}", ran.all());
    assert!(
        ran.stderr.contains("DNS:unknown.example") && ran.stderr.contains("--certificate-name"),
        "{}",
        ran.all()
    );
    // Of another authority, over, or none at all: the connection is not made.
    for certificate in ["stranger", "over"] {
        let ran = shop.call_as(certificate, &["person", "list"]);
        assert_eq!(ran.code, 4, "{certificate}: {}", ran.all());
    }
    let ran = shop.call("ca.pem", &["person", "list"]);
    assert_eq!(ran.code, 4, "{}", ran.all());
}

#[test]
fn the_http_port_is_encrypted_by_the_same_files() {
    let shop = Shop::open(true);
    let url = format!("{}/ready", shop.service.http());
    assert!(url.starts_with("https://"), "{url}");
    let ask = |url: &str, authority: &str, certificate: Option<&str>| {
        let mut ask = json!({"url": url, "ca": shop.at(authority)});
        if let Some(name) = certificate {
            ask["certificate"] = shop.at(&format!("{name}.pem")).into();
            ask["key"] = shop.at(&format!("{name}.key")).into();
        }
        ask
    };
    let told = http(&[
        ask(&url, "ca.pem", Some("erp")),
        ask(&url, "ca.pem", None),
        ask(&url, "ca.pem", Some("stranger")),
        ask(&url, "other-ca.pem", Some("erp")),
        ask(&url.replace("https:", "http:"), "ca.pem", None),
    ]);
    assert_eq!((&told[0]["status"], &told[0]["body"]), (&json!(200), &json!("ready\n")), "{told:?}");
    for refused in &told[1..] {
        assert!(refused["failed"].is_string(), "{refused}");
    }
    // A certificate stands in a token's place there too; this one was given no role.
    let mut call = ask(&url.replace("/ready", "/fettler.v1.PersonService/ListPeople"), "ca.pem", Some("erp"));
    call["method"] = "POST".into();
    call["headers"] = json!({"content-type": "application/json"});
    let told = &http(&[call])[0];
    assert!(
        told["status"] == 401 && told["body"].as_str().unwrap().contains("CERTIFICATE_UNKNOWN"),
        "{told}"
    );
}

#[test]
fn any_certificate_with_a_known_name_stands_in_a_token_s_place() {
    let shop = Shop::open(true);
    let named = |kind: &str, name: &str, role: &str| {
        let made = Command::new(program("fettlerd"))
            .args(["token", "add", kind, "--role", role, "--certificate-name", name, "--data"])
            .arg(shop.service.data())
            .env_clear()
            .output()
            .expect("it runs");
        assert!(made.status.success() && made.stdout.is_empty(), "{made:?}");
    };
    named("ERP", "DNS:ERP.example", "planner");
    named("cell", "CN:cell 7", "technician");
    shop.call_as("erp", &["person", "add", "Cem Yil"]).done();
    // A renewed one, with another key, is known as well.
    shop.own.sign(shop.folder.path(), "renewed", "erp.example", false);
    shop.call_as("renewed", &["person", "add", "Jo Lind"]).done();
    let ran = shop.call_as("cell", &["person", "add", "Ada Kern"]);
    assert!(ran.code == 3 && ran.stderr.contains("ROLE_MISSING"), "{}", ran.all());
    let ran = shop.call_as("unknown", &["person", "list"]);
    assert!(ran.code == 3 && ran.stderr.contains("CERTIFICATE_UNKNOWN"), "{}", ran.all());
    let listed = Command::new(program("fettlerd"))
        .args(["token", "list", "--data"])
        .arg(shop.service.data())
        .env_clear()
        .output()
        .expect("it runs");
    let listed = String::from_utf8_lossy(&listed.stdout).into_owned();
    assert!(listed.contains("DNS:erp.example") && listed.contains("CN:cell 7"), "{listed}");
    // Taken back, no other certificate of that name is let in.
    let number =
        listed.lines().find(|line| line.contains("DNS:erp.example")).and_then(|line| line.split(' ').next());
    let revoked = Command::new(program("fettlerd"))
        .args(["token", "revoke", number.expect("a number"), "--data"])
        .arg(shop.service.data())
        .env_clear()
        .output()
        .expect("it runs");
    assert!(revoked.status.success(), "{revoked:?}");
    let begun = Instant::now();
    while shop.call_as("renewed", &["person", "list"]).code == 0 {
        assert!(begun.elapsed() < Duration::from_secs(10), "it is still taken");
    }
    let ran = shop.call_as("erp", &["person", "list"]);
    assert!(ran.code == 3 && ran.stderr.contains("TOKEN_REVOKED"), "{}", ran.all());
}

fn dns(name: &str) -> SanType {
    SanType::DnsName(name.try_into().expect("a name of a host"))
}

fn uri(name: &str) -> SanType {
    SanType::URI(name.try_into().expect("a URI"))
}

/// Kinds of names in a certificate: RFC 5280, sections 4.1.2.6 and 4.2.1.6.
#[test]
fn of_many_names_uris_come_first_then_hosts_then_the_common_name_and_the_rest_are_none() {
    let (own, folder) = (authority(), tempfile::tempdir().expect("a folder"));
    let named = |names_of: &[SanType], common: &str| -> Vec<String> {
        let der = own.sign_many(folder.path(), "many", names_of, common);
        names(&der).iter().map(CertificateName::to_string).collect()
    };
    let mixed = [
        dns("B.example"),
        SanType::Rfc822Name("ada@shop.example".try_into().expect("an address")),
        uri("spiffe://shop/b"),
        SanType::IpAddress([10, 0, 0, 7].into()),
        dns("a.example"),
        dns("*.example"),
        uri("spiffe://shop/a"),
    ];
    let expect =
        ["URI:spiffe://shop/b", "URI:spiffe://shop/a", "DNS:b.example", "DNS:a.example", "CN:cell 7"];
    assert_eq!(named(&mixed, "cell 7"), expect, "in the certificate's own order within a kind");
    // Seven of them, and the common name always has its place.
    let many: Vec<SanType> = (0..20).map(|n| dns(&format!("h{n}.example"))).collect();
    let seven: Vec<String> = (0..7).map(|n| format!("DNS:h{n}.example")).collect();
    assert_eq!(named(&many, "cell 7"), [&seven[..], &["CN:cell 7".to_owned()]].concat());
    assert_eq!(named(&many, "two\nlines"), seven);
}

#[test]
fn of_many_known_names_the_first_counts_though_its_token_be_taken_back() {
    let shop = Shop::open(true);
    let fettlerd = |arguments: &[&str]| {
        let ran = Command::new(program("fettlerd"))
            .args(arguments)
            .arg("--data")
            .arg(shop.service.data())
            .env_clear()
            .output()
            .expect("it runs");
        assert!(ran.status.success(), "{ran:?}");
        String::from_utf8_lossy(&ran.stdout).into_owned()
    };
    let named = |kind: &str, role: &str, flag: &str, name: &str| {
        fettlerd(&["token", "add", kind, "--role", role, flag, name])
    };
    let both = [dns("erp.example"), uri("spiffe://shop/erp")];
    shop.own.sign_many(shop.folder.path(), "many", &both, "cell 7");
    let adds = |person: &str| shop.call_as("many", &["person", "add", person]);
    named("by common name", "technician", "--certificate-name", "CN:cell 7");
    let ran = adds("Ada Kern");
    assert!(ran.code == 3 && ran.stderr.contains("ROLE_MISSING"), "{}", ran.all());
    // A planner may add people, a technician may not: so it shows whose roles count.
    named("by host", "planner", "--certificate-name", "DNS:erp.example");
    until("the host counts", || adds("Ada Kern").code == 0);
    named("by URI", "technician", "--certificate-name", "URI:spiffe://shop/erp");
    until("the URI counts", || adds("Jo Lind").stderr.contains("ROLE_MISSING"));
    named("itself", "planner", "--certificate", &shop.at("many.pem"));
    until("it counts by itself", || adds("Eva Holm").code == 0);
    // What is taken back lets nobody in by a name further down.
    let listed = fettlerd(&["token", "list"]);
    let line = listed.lines().find(|line| line.contains("itself")).expect("its line");
    fettlerd(&["token", "revoke", line.split(' ').next().expect("a number")]);
    until("it is taken back", || adds("Cem Yil").stderr.contains("TOKEN_REVOKED"));
    let ran = adds("Cem Yil");
    assert!(ran.code == 3 && ran.stderr.contains("TOKEN_REVOKED"), "{}", ran.all());
}

/// Asks until it is so: what is known of a caller is remembered for a second.
fn until(what: &str, is_so: impl Fn() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < Duration::from_secs(20), "{what}");
    }
}

#[test]
fn a_certificate_that_cannot_be_used_is_told_before_anything_starts() {
    let shop = Shop::open(false);
    let data = tempfile::tempdir().expect("a folder");
    for (certificate, key, why) in
        [("none.pem", "service.key", "cannot read"), ("service.pem", "erp.key", "cannot be used together")]
    {
        let ran = Command::new(program("fettlerd"))
            .args([
                "serve",
                "--listen",
                "127.0.0.1:0",
                "--tls-cert",
                &shop.at(certificate),
                "--tls-key",
                &shop.at(key),
                "--data",
            ])
            .arg(data.path().join("new"))
            .env_clear()
            .output()
            .expect("it runs");
        let said = String::from_utf8_lossy(&ran.stderr);
        assert!(!ran.status.success() && said.contains(why), "{said}");
        assert!(!data.path().join("new").exists(), "nothing was begun");
    }
}
