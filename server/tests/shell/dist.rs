//! What is shipped beside the program: the unit for systemd, manual pages, completions.

use std::{
    fs,
    os::unix::fs::{MetadataExt, PermissionsExt, chown},
    path::Path,
    process::{Command, Stdio},
};

use crate::program::{Started, signal};

const UNIT: &str = include_str!("../../dist/thole.service");
/// What the unit's own user is here: nobody, who owns nothing.
const NOBODY: u32 = 65_534;

fn setting(name: &str) -> &str {
    let line = UNIT.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix('='));
    line.unwrap_or_else(|| panic!("the unit says nothing of {name}"))
}

#[test]
fn systemd_understands_every_line_of_the_unit() {
    if Command::new("systemd-analyze").arg("--version").output().is_err() {
        println!("left out: there is no systemd-analyze here");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("thole.service");
    // The program need not be installed to be checked.
    let program = env!("CARGO_BIN_EXE_thole-server");
    fs::write(&file, UNIT.replace("/usr/local/bin/thole-server", program)).unwrap();
    let checked = Command::new("systemd-analyze").arg("verify").arg(&file).output().unwrap();
    let says = String::from_utf8_lossy(&checked.stderr).into_owned();
    let ours: Vec<&str> = says.lines().filter(|line| line.contains("thole")).collect();
    assert!(checked.status.success() && ours.is_empty(), "{says}");
}

#[tokio::test]
async fn the_units_command_runs_as_a_user_who_owns_nothing_else_and_with_its_limits() {
    if !fs::metadata("/proc/self").is_ok_and(|here| here.uid() == 0) {
        println!("left out: only root can become another user");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    // This user may not look where the build is.
    let program = folder.path().join("thole-server");
    fs::copy(env!("CARGO_BIN_EXE_thole-server"), &program).unwrap();
    let data = folder.path().join("thole");
    fs::create_dir(&data).unwrap();
    chown(&data, Some(NOBODY), Some(NOBODY)).unwrap();
    let said = setting("ExecStart").replace("${STATE_DIRECTORY}", data.to_str().unwrap());
    let words: Vec<&str> = said.split(' ').skip(1).collect();
    let limit = setting("LimitNOFILE");
    let files = format!("--nofile={limit}");
    // Where root may not raise it, the command runs with what is there.
    let raised = Command::new("prlimit").args([&files, "true"]).output().unwrap().status.success();
    let files = if raised { files } else { "--core=0".to_owned() };
    let mut command = Command::new("prlimit");
    command
        .env_clear()
        .env("PATH", "/usr/bin:/bin")
        .args([files.as_str(), "setpriv", "--reuid", "65534", "--regid", "65534", "--clear-groups"])
        .args(["--no-new-privs", "--bounding-set=-all"])
        .arg(&program)
        .args(&words)
        .args(["--listen", "127.0.0.1:0", "--inner-listen", "off"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let server = Started::by(&mut command);
    let limits = fs::read_to_string(format!("/proc/{}/limits", server.id())).unwrap();
    let files = limits.lines().find(|line| line.starts_with("Max open files")).unwrap();
    assert!(!raised || files.contains(limit), "{files}");
    crate::program::session_made(&mut server.socket().await, &data).await;
    let kept = fs::metadata(data.join("thole.db")).unwrap();
    assert_eq!(kept.uid(), NOBODY);
    signal(server.id(), "-TERM");
    let ended = server.ended();
    assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stderr));
}

fn program(words: &[&str]) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    let ended = command.env_clear().args(words).output().unwrap();
    assert!(ended.status.success(), "{words:?}: {}", String::from_utf8_lossy(&ended.stderr));
    String::from_utf8(ended.stdout).unwrap()
}

#[test]
fn every_command_has_a_manual_page_and_every_setting_stands_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let man = folder.path().join("man1");
    program(&["man", man.to_str().unwrap()]);
    let page = |name: &str| fs::read_to_string(Path::new(&man).join(name)).unwrap();
    assert!(page("thole-server.1").contains(".TH thole-server 1"));
    for command in ["serve", "demo", "replay", "fit", "man", "completions"] {
        page(&format!("thole-server-{command}.1"));
    }
    let serve = page("thole-server-serve.1").replace("\\-", "-");
    let help = program(&["serve", "--help"]);
    let flags: Vec<&str> = help.split_whitespace().filter(|word| word.starts_with("--")).collect();
    assert!(flags.len() > 20, "{flags:?}");
    for flag in flags {
        let is_name = |c: &char| c.is_ascii_alphanumeric() || *c == '-';
        let flag: String = flag.chars().take_while(is_name).collect();
        assert!(serve.contains(&flag), "{flag} is not in the manual");
    }
}

#[test]
fn shells_complete_commands_and_settings() {
    for shell in ["bash", "zsh", "fish"] {
        let words = program(&["completions", shell]);
        assert!(words.contains("serve") && words.contains("boards-max"), "{shell}: {words}");
    }
}
