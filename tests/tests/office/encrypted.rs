//! The line to another machine: encrypted, and only to the server whose certificate is known.

use std::io::Write;

use seathold_tests::office_kit::{Server, certified};

use crate::bench::{bench, said};

#[test]
fn only_the_server_that_is_known_gets_anything() {
    let Some(server) = Server::shared() else { return };
    let Some(certificate) = server.certificate() else {
        let _ = std::io::stderr().write_all(b"LEFT OUT: no openssl, so the encrypted line has NOT been tested\n");
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..3);
    let base =
        server.office_over("tls", &["one"], &format!("?sslmode=verify-full&sslrootcert={}", certificate.display()));
    let push = |more: &str, code| {
        let address = format!("{}{more}", base.address("one").split('?').next().unwrap());
        said(&base, dir, &["register", "push", &address, "--register", "[DIR]/one.sqlite"], code)
    };
    // The server itself refuses a line that is not encrypted.
    let why = push("?sslmode=disable", 6);
    assert!(why.contains("no encryption"), "{why}");
    let shown = certificate.display();
    let sent = push(&format!("?sslmode=verify-full&sslrootcert={shown}"), 0);
    assert!(sent.contains("2 runs and 3 notes sent"), "{sent}");
    // Another server's certificate: whoever is there, it is not the office.
    let folder = tempfile::tempdir().unwrap();
    std::os::unix::fs::chown(folder.path(), Some(65_534), Some(65_534)).unwrap_or_default();
    assert!(certified(folder.path(), "other"));
    let why = push(&format!("?sslmode=verify-full&sslrootcert={}", folder.path().join("other.pem").display()), 6);
    assert!(why.contains("certificate"), "{why}");
    // No certificate at all is the mistake of whoever typed it.
    let why = push("?sslmode=verify-full&sslrootcert=/nowhere.pem", 2);
    assert!(why.contains("/nowhere.pem: cannot be read"), "{why}");
    let why = push("?sslmode=verify-full", 2);
    assert!(why.contains("sslrootcert=FILE"), "{why}");
    let empty = dir.join("one.sqlite");
    let why = push(&format!("?sslmode=verify-full&sslrootcert={}", empty.display()), 2);
    assert!(why.contains("has no certificate"), "{why}");
}
