//! The document of the HTTP port against the port: a program that reads nothing but the document makes calls of its own (schemathesis), and
//! every answer must be one that the document tells of: its number, its content type, and its body by the schema. Streams of reports are
//! left to tests of their own, as that program writes no lines of JSON.

use fettler_tests::programs::root;
use fettler_tests::service::Service;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Calls made of each method; `FETTLER_OPENAPI_CALLS=75` makes some 5,000 in all.
const CALLS_OF_EACH: &str = "3";
/// A service that fails, an answer that is not told of, another content type, a body that is not as the schema has it.
const CHECKS: &str =
    "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance";
/// Streams that the tool cannot follow: it writes no lines of JSON, and waits for the end of an answer that has none.
const STREAMS: [&str; 2] = ["/fettler.v1.RunHoursService/StreamReports", "/fettler.v1.DueService/WatchDue"];

/// schemathesis lies where ./tests/run puts it, beside the Python of the oracles, or in the path.
fn calls(service: &Service, document: &Path, more: &[&str]) -> (bool, String) {
    let beside =
        std::env::var_os("FETTLER_PYTHON").map(|python| Path::new(&python).with_file_name("schemathesis"));
    let program = beside.filter(|path| path.exists()).unwrap_or_else(|| PathBuf::from("schemathesis"));
    let calls = std::env::var("FETTLER_OPENAPI_CALLS").unwrap_or_else(|_| CALLS_OF_EACH.to_owned());
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = Command::new(program);
    command.arg("run").arg(document).args(["--url", service.http(), "--phases", "fuzzing", "--no-color"]);
    command.args(["--max-examples", &calls, "--seed", "7", "--checks", CHECKS]);
    command.args(STREAMS.iter().flat_map(|path| ["--exclude-path", path]));
    command.args(["--suppress-health-check", "all", "--continue-on-failure"]).args(more);
    command.arg("--header").arg(format!("Authorization: Bearer {}", service.token()));
    // What it remembers of earlier runs would make this one another.
    let output = command.current_dir(folder.path()).output();
    let output = output.expect("schemathesis is missing: pip install schemathesis; ./tests/run does it");
    let said = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8_lossy(&said).into_owned())
}

#[test]
fn every_answer_is_one_that_the_document_tells_of() {
    let service = Service::start();
    let shop = root().join("docs/example/shop.toml");
    fs::copy(&shop, service.data().join("shop.toml")).expect("copied");
    service.fettler(&["person", "add", "Ada Kern"]).done();
    service.fettler(&["shop", "load", "shop.toml", "--by", "Ada Kern"]).done();
    let document = root().join("docs/openapi.json");
    let (is_well, said) = calls(&service, &document, &[]);
    assert!(is_well && said.contains(" passed"), "{said}");

    // The same with a document that does not tell of an answer.
    let path = "/fettler.v1.PersonService/ListPeople";
    let mut planted: Value =
        serde_json::from_str(&fs::read_to_string(&document).expect("a file")).expect("JSON");
    let responses = planted["paths"][path]["post"]["responses"].as_object_mut().expect("answers");
    let told = responses.remove("200").expect("it tells of 200");
    responses.insert("202".to_owned(), told);
    responses.remove("default");
    let file = service.data().join("planted.json");
    fs::write(&file, planted.to_string()).expect("written");
    let (is_well, said) = calls(&service, &file, &["--include-path", path]);
    assert!(!is_well && said.contains("Undocumented status code"), "{said}");
}
