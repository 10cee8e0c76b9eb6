//! Who asks to be let in, and who does not have to.

use clap::ValueEnum;
use thole::coach::Coach;
use thole_protocol::{ids::RequestId, server_msg::JoinRequest, spec::Joining};

/// Who joins with the code without being let in.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum WhoJoins {
    /// New names join at once, as guests; for a name on the roster you are asked
    Guests,
    /// Nobody: you are asked for everybody
    Asked,
}

impl WhoJoins {
    pub(crate) fn joining(self) -> Joining {
        match self {
            WhoJoins::Guests => Joining::Guests,
            WhoJoins::Asked => Joining::Asked,
        }
    }
}

/// The request that a name, or the request's own number, refers to.
pub(crate) fn asking(coach: &Coach, who: &str) -> Result<RequestId, String> {
    let who = who.trim();
    let is_meant = |request: &&JoinRequest| {
        request.request.to_string() == who || request.name.to_lowercase() == who.to_lowercase()
    };
    let mut meant = coach.requests().iter().filter(is_meant);
    match (meant.next(), meant.next()) {
        (Some(request), None) => Ok(request.request),
        (Some(_), Some(_)) => Err(format!(
            "Several people ask as {who}: say which one, by the request number that status shows."
        )),
        (None, _) => Err(format!("Nobody is asking as {who}; status shows who does.")),
    }
}
