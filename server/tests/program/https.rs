//! The terminal against the real program over TLS, with an authority of the shop's own.

use std::path::Path;

use crate::certs::certs;
use crate::real::tappet;
use crate::serving::{Serving, founding, program, refused};

#[test]
fn a_device_enrols_and_exchanges_over_https_and_remembers_who_vouches() {
    let folder = tempfile::tempdir().unwrap();
    let (ours, other) = (certs(folder.path(), "ours"), certs(folder.path(), "other"));
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    let data = folder.path().join("shop");
    let mut command = program(&founding(&data));
    command.args(["--tls-cert", &text(&ours.cert)]).env("TAPPETBOOK_TLS_KEY", &ours.key);
    let mut serving = Serving::start(command);
    let (server, code) = serving.greeted();
    assert!(server.starts_with("https://127.0.0.1:"), "{server}");

    let book = folder.path().join("desk.db");
    let enrol = ["enrol", "--server", &server, "--code", &code];
    // Nobody known here vouches for the server; nor does another authority.
    let (exit, words) = tappet(&book, &enrol);
    assert_eq!(exit, 4, "{words}");
    assert!(words.contains("--ca"), "{words}");
    let (exit, words) = tappet(&book, &[&enrol[..], &["--ca", &text(&other.authority)]].concat());
    assert_eq!(exit, 4, "{words}");
    let (exit, words) = tappet(&book, &[&enrol[..], &["--ca", &text(&ours.key)]].concat());
    assert_eq!(exit, 2, "{words}");
    let (exit, words) = tappet(&book, &[&enrol[..], &["--ca", "/nonexistent/ca.pem"]].concat());
    assert_eq!(exit, 1, "{words}");
    // Plain text to a port that speaks TLS is no way in either.
    let plain = server.replace("https://", "http://");
    let (exit, words) = tappet(&book, &["enrol", "--server", &plain, "--code", &code]);
    assert_eq!(exit, 4, "{words}");

    let (exit, words) = tappet(&book, &[&enrol[..], &["--ca", &text(&ours.authority)]].concat());
    assert_eq!(exit, 0, "{words}");
    std::fs::remove_file(&ours.authority).unwrap();
    let (exit, words) = tappet(&book, &["office", "property", "add", "Yard"]);
    assert_eq!(exit, 0, "{words}");
    let (exit, words) = tappet(&book, &["exchange"]);
    assert_eq!(exit, 0, "{words}");
    let levelled: serde_json::Value = serde_json::from_str(&words).unwrap();
    assert_eq!((&levelled["level"], &levelled["waiting"]), (&true.into(), &0.into()), "{words}");
    // Named for once, another authority counts in place of the kept one, and is not kept.
    assert_eq!(tappet(&book, &["exchange", "--ca", &text(&other.authority)]).0, 4);
    assert_eq!(tappet(&book, &["exchange"]).0, 0);
    assert_eq!(serving.stop().1, Some(0));
}

#[test]
fn half_of_a_pair_and_an_open_address_without_tls_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let ours = certs(folder.path(), "ours");
    let data = folder.path().join("shop");
    let refusal = |options: &[&str], variables: &[(&str, &Path)]| {
        let mut command = program(&["--data", data.to_str().unwrap()]);
        command.args(options).envs(variables.iter().copied());
        refused(command)
    };
    let (exit, words) = refusal(&["--tls-cert", ours.cert.to_str().unwrap()], &[]);
    assert_eq!(exit, 2, "{words}");
    assert!(words.contains("--tls-key"), "{words}");
    let (exit, words) = refusal(&[], &[("TAPPETBOOK_LISTEN", Path::new("0.0.0.0:0"))]);
    assert_eq!(exit, 2, "{words}");
    assert!(words.contains("--tls-cert"), "{words}");
    let (exit, words) = refusal(&[], &[("TAPPETBOOK_TLS_CERT", &ours.cert), ("TAPPETBOOK_TLS_KEY", &ours.cert)]);
    assert_eq!(exit, 3, "{words}");
    assert!(words.contains("no private key"), "{words}");
    assert!(!data.exists());
}
