//! How what a client says is read.

use super::*;

#[test]
fn what_cannot_be_read_is_answered_by_its_command_all_the_same() {
    let command = "01994c1f-0b12-7e80-9a3c-41d7f20c6e15";
    let text = format!(r#"{{"type":"command","command":"{command}","order":{{"do":"fly"}}}}"#);
    assert!(matches!(ClientMsg::read(&text), Err(Misread::Malformed(_))));
    let told = ClientMsg::command_of(&text).map(|command| command.0.to_string());
    assert_eq!(told.as_deref(), Some(command));
    for text in [r#"{"type":"command","command":7}"#, r#"{"type":"command"}"#, "{"] {
        assert_eq!(ClientMsg::command_of(text), None, "{text}");
    }
}

#[test]
fn what_is_printed_of_a_message_shows_no_secret_and_no_key() {
    let hello =
        r#"{"type":"hello","version_min":1,"version_max":1,"role":"coach","secret":"q7Zr2m"}"#;
    let create = r#"{"type":"create","title":"Weir","key":"q7Zr2m"}"#;
    for text in [hello, create] {
        let printed = format!("{:?}", ClientMsg::read(text).unwrap());
        assert!(!printed.contains("q7Zr2m") && printed.len() > 20, "{printed}");
    }
}
