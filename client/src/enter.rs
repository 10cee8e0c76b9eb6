//! The first words to a server: to make a session, or to join one by its code.

use std::time::Duration;

use thole_protocol::{
    ClientMsg, ServerMsg,
    client_msg::{Create, Join},
    server_msg::{Created, Joined},
};
use tokio::time::timeout;

use crate::socket::{Dial, Ended, Heard, Socket};

/// Longest wait for the answer, in real time.
const ANSWER_LIMIT: Duration = Duration::from_secs(10);
/// While the coach is asked, the request is repeated this often.
const AGAIN_EVERY: Duration = Duration::from_secs(5);

/// Why nobody was let in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotIn {
    /// No connection; trying again may help.
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

/// Makes a session. Its secrets are shown only this once.
///
/// # Errors
/// The server is not there, or says no.
pub async fn create(dial: &Dial, create: Create) -> Result<Created, NotIn> {
    answer(dial, &ClientMsg::Create(create), |msg| {
        if let ServerMsg::Created(created) = msg { Some(created) } else { None }
    })
    .await
}

/// An id for `Join::join` that nobody can guess: the same for every attempt by one device under one name.
#[must_use]
pub fn join_id() -> String {
    let random = || uuid::Uuid::new_v4().simple();
    format!("{}{}", random(), random())
}

/// Joins a session by its code. The secret is shown only this once: with it the athlete can come back. When the coach
/// is asked first, `waits` is told so, once, and this waits for the coach's word.
///
/// # Errors
/// The server is not there, or says no: a wrong code, a name that is taken, a coach who does not let them in.
/// After `NotIn::NoServer` the same `join` may be tried again.
pub async fn join(dial: &Dial, join: Join, waits: impl Fn(&str)) -> Result<Joined, NotIn> {
    let msg = ClientMsg::Join(join);
    let mut socket = Socket::connect(dial).await?;
    socket.send(&msg).await?;
    let mut waiting = false;
    let joined = loop {
        let limit = if waiting { AGAIN_EVERY } else { ANSWER_LIMIT };
        match timeout(limit, socket.next()).await {
            Err(_) if waiting => socket.send(&msg).await?,
            Err(_) => break Err(NotIn::NoServer("The server did not answer in time.".into())),
            Ok(heard) => match heard? {
                Heard::Said(ServerMsg::Joined(joined)) => break Ok(joined),
                Heard::Said(ServerMsg::Refused { refusal, .. }) => {
                    break Err(NotIn::Refused(refusal.says));
                }
                Heard::Said(ServerMsg::Waiting(told)) => {
                    if !std::mem::replace(&mut waiting, true) {
                        waits(&told.says);
                    }
                }
                Heard::Said(_) | Heard::Sign | Heard::Unread(_) => {}
            },
        }
    };
    socket.close().await;
    joined
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
