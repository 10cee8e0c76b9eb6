//! An order that waits for its answer, and how it is told that it was carried out.

use serde_json::json;
use thole::coach::Coach;
use thole_protocol::ids::{CallId, CommandId};

use super::{Place, numbers, telling};

/// What was asked for, as an order that waits for its answer.
pub(crate) struct Ordered {
    pub(crate) command: CommandId,
    pub(crate) name: &'static str,
    pub(crate) call: Option<CallId>,
    pub(crate) makes_secrets: bool,
}

impl Ordered {
    /// Whether `undo` takes it back.
    fn is_ruling(&self) -> bool {
        matches!(
            self.name,
            "official" | "reopen" | "correct" | "correct-target" | "exclude" | "unrank"
        )
    }
}

/// Tells that an order was carried out.
pub(crate) fn done(place: &Place<'_>, coach: &Coach, ordered: &Ordered) {
    let (call, command) = (ordered.call, ordered.command);
    let line = json!({"event": "done", "order": ordered.name, "call": call, "command": command});
    place.common.tell(line, || {
        Some(match &call {
            Some(call) => {
                let call = numbers::shown(call.0);
                format!("Done: {} (take it back with take-back {call}).", ordered.name)
            }
            None if ordered.is_ruling() => {
                let command = numbers::shown(command.0);
                format!("Done: {} (take it back with undo {command}).", ordered.name)
            }
            None => format!("Done: {}.", ordered.name),
        })
    });
    if let ("arm", Some(mirror)) = (ordered.name, coach.mirror()) {
        telling::without_target(place, mirror);
    }
}
