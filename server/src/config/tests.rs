//! Every setting, right and wrong.

use std::{path::Path, time::Duration};

use clap::{CommandFactory, Parser};

use super::*;

#[derive(Parser)]
struct CommandLine {
    #[command(flatten)]
    args: ServeArgs,
}

/// Settings whose values are not numbers.
const WORDS: [&str; 15] = [
    "proxies",
    "client-address-header",
    "inner-listen",
    "log-format",
    "open",
    "config",
    "listen",
    "data",
    "tls-cert",
    "tls-key",
    "tls-self-made",
    "projection-model",
    "origins",
    "hosts",
    "code-syllables",
];

/// As typed, whatever environment the tests run in.
fn typed(words: &[&str]) -> ServeArgs {
    let command = CommandLine::command().mut_args(|arg| arg.env(None::<&str>));
    let matches = command.try_get_matches_from(["serve"].iter().chain(words)).unwrap();
    CommandLine::from_arg_matches(&matches).unwrap().args
}

fn wrong(words: &[&str]) -> String {
    typed(words).settings().unwrap_err()
}

fn with_file(text: &str, words: &[&str]) -> Result<Settings, String> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("thole.toml");
    std::fs::write(&file, text).unwrap();
    typed(&[words, &["--config", file.to_str().unwrap()]].concat()).settings()
}

#[test]
fn nothing_said_is_a_server_for_this_machine_alone() {
    let settings = typed(&[]).settings().unwrap();
    assert!(settings.listen.ip().is_loopback());
    assert_eq!((settings.speed, settings.limits.athletes), (1, 10_000));
    assert_eq!((settings.tls, settings.origins.len()), (None, 0));
}

#[test]
fn every_number_has_bounds_and_is_refused_by_its_name_outside_of_them() {
    let mut numbers = 0;
    for arg in CommandLine::command().get_arguments() {
        let name = arg.get_long().unwrap();
        if WORDS.contains(&name) {
            continue;
        }
        let (flag, begins) = (format!("--{name}"), format!("{name}: "));
        for value in ["0", "99999999999", "many", "2.5", ""] {
            let says = wrong(&[&flag, value]);
            assert!(says.starts_with(&begins), "{flag} {value:?}: {says}");
            assert!(says.contains(" is not a whole number from 1"), "{flag} {value:?}: {says}");
        }
        numbers += 1;
    }
    assert_eq!(numbers, 24, "speed and the twenty-three limits");
    assert_eq!(wrong(&["--speed", "101"]), "speed: 101 is not a whole number from 1 to 100.");
}

#[test]
fn every_word_is_refused_by_its_name() {
    for (words, says) in [
        (["--listen", "everywhere"], "listen: \"everywhere\" is not an address and a port"),
        (["--inner-listen", "no"], "inner-listen: \"no\" is not an address and a port"),
        (["--log-format", "xml"], "log-format: \"xml\" is not text or json."),
        (["--data", ""], "data: \"\" is not a folder."),
        (["--tls-cert", "cert.pem"], "tls-key: a certificate needs its key too."),
        (["--tls-key", "key.pem"], "tls-cert: a key needs its certificate too."),
        (["--tls-self-made", ""], "tls-self-made: \"\" is not a name or an address"),
        (["--tls-self-made", "gym.local,*"], "tls-self-made: \"*\" is not a name or an address"),
        (["--origins", "club.example"], "origins: \"club.example\" is not an address"),
        (["--origins", "https://club.example/row"], "origins: "),
        (
            ["--hosts", "club.example:443"],
            "hosts: \"club.example:443\" is not a name or an address",
        ),
        (["--proxies", "proxy.local"], "proxies: \"proxy.local\" is not an address"),
        (["--client-address-header", "Forwarded"], "client-address-header: \"forwarded\" is not"),
        (["--client-address-header", "a b"], "client-address-header: \"a b\" is not a header"),
        (["--code-syllables", "5"], "code-syllables: \"5\" is not 4 or 6."),
        (["--open=all", "--speed=1"], "open: \"all\" is not yes or no."),
        (["--config", "not-there.toml"], "config: not-there.toml cannot be read"),
    ] {
        assert!(wrong(&words).starts_with(says), "{words:?}: {}", wrong(&words));
    }
}

#[test]
fn a_certificate_is_made_for_all_the_names_or_comes_from_elsewhere() {
    let names = ["--data", "kept", "--tls-self-made", "Gym.local, 192.168.7.20"];
    let settings = typed(&names).settings().unwrap();
    assert_eq!(settings.self_made.unwrap(), ["gym.local", "192.168.7.20"]);
    assert_eq!(settings.tls, Some(authority::files(Path::new("kept"))));
    let both = [&names[..], &["--tls-cert", "cert.pem", "--tls-key", "key.pem"]].concat();
    assert!(wrong(&both).starts_with("tls-self-made: with tls-cert and tls-key"));
    let cert = typed(&["--tls-cert", "cert.pem", "--tls-key", "key.pem"]).settings().unwrap();
    assert_eq!(cert.tls, Some(("cert.pem".into(), "key.pem".into())));
    assert_eq!(cert.self_made, None);
}

#[test]
fn a_file_fills_in_what_was_not_said() {
    let file = "boards-max = 2\nspeed = 5\norigins = [\"https://club.example\", \"https://b.example\"]\nlinks-h = 36";
    let settings = with_file(file, &["--speed", "7"]).unwrap();
    assert_eq!((settings.limits.boards, settings.speed), (2, 7), "a flag goes before the file");
    assert_eq!(settings.origins, ["https://club.example", "https://b.example"]);
    assert_eq!(settings.limits.links, Duration::from_secs(36 * 3_600));
}

#[test]
fn what_is_set_otherwise_than_usual_is_named() {
    let differs = |words: &[&str]| typed(words).settings().unwrap().differs;
    assert_eq!(differs(&[]), Vec::<String>::new());
    assert_eq!(differs(&["--boards-max", "2", "--speed", "1"]), ["boards-max=2"]);
}

#[test]
fn a_wrong_file_is_refused_by_the_name_in_it() {
    for (file, says) in [
        ("bords-max = 2", "bords-max: there is no such setting"),
        ("speed = 0", "speed: 0 is not a whole number from 1 to 100."),
        ("speed = true", "speed: \"yes\" is not a whole number from 1 to 100."),
        ("speed = 2.5", "speed: \"2.5\" is not a whole number from 1 to 100."),
        ("[speed]\nis = 2", "speed: expected a text, a number or a list."),
        ("[limits]\nboards-max = 2", "limits: there is no such setting"),
        ("config = \"other.toml\"", "config: there is no such setting"),
    ] {
        let error = with_file(file, &[]).unwrap_err();
        assert!(error.starts_with(says), "{file}: {error}");
    }
    assert!(with_file("open = true", &[]).unwrap().open);
    assert!(!with_file("open = true", &["--open=no"]).unwrap().open, "a flag goes before the file");
    assert!(typed(&["--open", "--speed", "2"]).settings().unwrap().open);
    let error = with_file("speed 5", &[]).unwrap_err();
    assert!(error.starts_with("config: ") && error.contains("is not TOML"), "{error}");
}

#[test]
fn a_variable_that_is_no_setting_is_refused_by_its_name() {
    let check = |names: &[&str]| ServeArgs::check_environment(names.iter().map(|n| (*n).into()));
    assert_eq!(check(&["HOME", "THOLE_SPEED", "THOLE_CONFIG", "THOLE_SERVER"]), Ok(()));
    let says = check(&["THOLE_SPEED", "THOLE_BORDS_MAX"]).unwrap_err();
    assert!(says.starts_with("THOLE_BORDS_MAX: there is no such setting"), "{says}");
}

#[test]
fn help_says_what_is_usual_and_variables_are_named_like_flags() {
    let help = CommandLine::command().render_long_help().to_string();
    for usual in ["127.0.0.1:8737", "127.0.0.1:8738", "thole-data", "no", "text", "15000", "90"] {
        assert!(help.contains(&format!("[default: {usual}]")), "{usual}: {help}");
    }
    for arg in CommandLine::command().get_arguments() {
        let name = arg.get_long().unwrap().to_uppercase().replace('-', "_");
        assert_eq!(arg.get_env().unwrap().to_str().unwrap(), format!("THOLE_{name}"));
    }
}

#[test]
fn what_is_wrong_is_said_in_the_same_words_by_flag_and_by_file() {
    for (name, value) in [
        ("listen", "everywhere"),
        ("inner-listen", "no"),
        ("speed", "101"),
        ("boards-max", "many"),
        ("links-h", "0"),
        ("disk-low-mib", ""),
        ("open", "all"),
        ("origins", "https://club.example,club.example"),
        ("proxies", "proxy.local"),
        ("hosts", "*"),
        ("log-format", "xml"),
    ] {
        let said = wrong(&[&format!("--{name}={value}")]);
        assert!(said.starts_with(&format!("{name}: ")), "{said}");
        assert_eq!(with_file(&format!("{name} = {value:?}"), &[]).unwrap_err(), said);
    }
}

#[test]
fn the_usual_inner_address_may_be_taken_and_one_that_was_asked_for_may_not() {
    let inner = |words: &[&str]| typed(words).settings().unwrap().inner_listen;
    let usual = "127.0.0.1:8738".parse().unwrap();
    assert_eq!(inner(&[]), InnerListen::Usual(usual));
    assert_eq!(inner(&["--inner-listen", "127.0.0.1:8738"]), InnerListen::At(usual));
    assert_eq!(inner(&["--inner-listen", "off"]), InnerListen::Off);
}
