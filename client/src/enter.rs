//! The first word to a server: to make a session, or to join one by its code.

use std::time::Duration;

use thole_protocol::{
    ClientMsg, ServerMsg,
    client_msg::{Create, Join},
    server_msg::{Created, Joined},
};
use tokio::time::timeout;

use crate::socket::{Dial, Ended, Heard, Socket};

/// Longest wait for the answer, in life.
const ANSWER_LIMIT: Duration = Duration::from_secs(10);

/// Why nobody was let in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotIn {
    /// No connection; it may be tried again.
    NoServer(String),
    /// The server said no; trying again changes nothing.
    Refused(String),
}

impl NotIn {
    /// One sentence for the person.
    #[must_use]
    pub fn says(&self) -> &str {
        match self {
            NotIn::NoServer(says) | NotIn::Refused(says) => says,
        }
    }
}

impl From<Ended> for NotIn {
    fn from(ended: Ended) -> NotIn {
        match ended.code {
            Some(_) => NotIn::Refused(ended.says),
            None => NotIn::NoServer(ended.says),
        }
    }
}

/// Makes a session. Its secrets are shown this once.
///
/// # Errors
/// The server is not there, or says no.
pub async fn create(dial: &Dial, create: Create) -> Result<Created, NotIn> {
    answer(dial, &ClientMsg::Create(create), |msg| {
        if let ServerMsg::Created(created) = msg { Some(created) } else { None }
    })
    .await
}

/// Joins a session by its code. The secret is shown this once: with it the athlete comes back.
///
/// # Errors
/// The server is not there, or says no: a wrong code, a name that is taken.
pub async fn join(dial: &Dial, join: Join) -> Result<Joined, NotIn> {
    answer(dial, &ClientMsg::Join(join), |msg| {
        if let ServerMsg::Joined(joined) = msg { Some(joined) } else { None }
    })
    .await
}

async fn answer<T>(
    dial: &Dial,
    msg: &ClientMsg,
    wanted: impl Fn(ServerMsg) -> Option<T>,
) -> Result<T, NotIn> {
    let mut socket = Socket::connect(dial).await?;
    socket.send(msg).await?;
    let answered = timeout(ANSWER_LIMIT, async {
        loop {
            let Heard::Said(msg) = socket.next().await? else { continue };
            if let ServerMsg::Refused { refusal, .. } = msg {
                return Err(NotIn::Refused(refusal.says));
            }
            if let Some(answer) = wanted(msg) {
                return Ok(answer);
            }
        }
    })
    .await
    .unwrap_or_else(|_| Err(NotIn::NoServer("The server did not answer in time.".into())));
    socket.close().await;
    answered
}
