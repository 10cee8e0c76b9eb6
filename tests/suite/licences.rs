//! What the work of others in our programs requires: the rules of `.cargo/deny.toml`, checked against cargo's
//! own metadata.

use std::{fs, path::Path, process::Command};

use serde_json::Value;
use spdx::{Expression, Licensee, ParseMode};

/// The registry that `Cargo.lock` names as the source of every crate from crates.io.
const CRATES_IO: &str = "registry+https://github.com/rust-lang/crates.io-index";

#[test]
fn every_crate_has_a_licence_that_lets_the_programs_be_handed_on() {
    let allowed = allowed();
    assert!(allows(&allowed, "MIT OR GPL-3.0-only"), "one choice that is allowed is enough");
    assert!(!allows(&allowed, "MIT AND GPL-3.0-only"), "all of an AND must be allowed");
    let refused: Vec<String> = crates()
        .iter()
        .filter(|of| !of["license"].as_str().is_some_and(|licence| allows(&allowed, licence)))
        .map(|of| format!("{} {}: {}", of["name"], of["version"], of["license"]))
        .collect();
    assert_eq!(refused, Vec::<String>::new(), "not among those that .cargo/deny.toml allows");
}

#[test]
fn every_crate_comes_from_the_public_registry_and_none_is_banned() {
    let banned: Vec<String> = rules()["bans"]["deny"]
        .as_array()
        .unwrap()
        .iter()
        .map(|of| of["crate"].as_str().unwrap().to_owned())
        .collect();
    assert!(banned.contains(&"openssl-sys".to_owned()));
    for of in crates() {
        let name = of["name"].as_str().unwrap();
        assert_eq!(of["source"], CRATES_IO, "{name} comes from elsewhere");
        assert!(!banned.iter().any(|banned| banned == name), "{name} is banned");
    }
}

fn allows(allowed: &[Licensee], licence: &str) -> bool {
    // Lax, for the slash that stood for OR before there were expressions.
    let expression = Expression::parse_mode(licence, ParseMode::LAX).expect("an SPDX expression");
    expression.evaluate(|asked| allowed.iter().any(|licensee| licensee.satisfies(asked)))
}

fn allowed() -> Vec<Licensee> {
    let names = rules()["licenses"]["allow"].as_array().unwrap().clone();
    names.iter().map(|name| Licensee::parse(name.as_str().unwrap()).unwrap()).collect()
}

fn rules() -> toml::Table {
    let text = fs::read_to_string(Path::new(crate::ROOT).join(".cargo/deny.toml")).unwrap();
    text.parse().unwrap()
}

/// Everything that `Cargo.lock` names, for every platform and feature, except our own.
fn crates() -> Vec<Value> {
    let said = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--all-features", "--locked"])
        .current_dir(crate::ROOT)
        .output()
        .expect("cargo tells about the packages");
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let known: Value = serde_json::from_slice(&said.stdout).expect("cargo speaks JSON");
    let packages = known["packages"].as_array().unwrap();
    let others: Vec<Value> =
        packages.iter().filter(|of| !of["source"].is_null()).cloned().collect();
    assert!(others.len() > 100, "the programs need more than {} crates", others.len());
    others
}
