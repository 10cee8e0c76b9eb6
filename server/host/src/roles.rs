//! Who may say what: one table.

use thole_protocol::{ClientMsg, client_msg::Role};

/// Whether a role may say this on a connection that has been let in.
#[must_use]
pub fn may_say(role: Role, msg: &ClientMsg) -> bool {
    match msg {
        ClientMsg::Clock(_) | ClientMsg::Heartbeat => true,
        ClientMsg::Samples(_)
        | ClientMsg::Skip(_)
        | ClientMsg::HeartRate(_)
        | ClientMsg::Consent(_)
        | ClientMsg::Ready(_)
        | ClientMsg::Aim(_)
        | ClientMsg::StopRowing { .. }
        | ClientMsg::RowOn { .. } => role == Role::Athlete,
        ClientMsg::Command(_)
        | ClientMsg::AddAthletes(_)
        | ClientMsg::NewLink(_)
        | ClientMsg::NewBoardLink(_)
        | ClientMsg::NewCoachLink(_)
        | ClientMsg::LetIn(_)
        | ClientMsg::LetInAll(_)
        | ClientMsg::TurnAway(_)
        | ClientMsg::TakeCommand(_)
        | ClientMsg::ResultsTable(_) => role == Role::Coach,
        // Only before anybody is let in.
        ClientMsg::Hello(_) | ClientMsg::Create(_) | ClientMsg::Join(_) => false,
    }
}
