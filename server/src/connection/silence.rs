//! When nothing is heard any more: what was said is read before anybody is called silent.

use std::{
    task::{Context, Poll},
    time::Duration,
};

use thole_host::Said;
use thole_protocol::close::Close;
use tokio::{
    io::{AsyncRead, AsyncWrite},
    time::Instant,
};

use super::{Connection, Ended, Socket, Turn};
use crate::{limits::NOT_HEARD_AFTER, session::Event};

/// Somebody who seems silent is looked at again once the runtime has asked the system, which takes one tick of
/// its timers.
const LOOKS_AGAIN: Duration = Duration::from_millis(5);

/// A connection whose messages wait for their session is not read, and is looked at this much later.
const LISTENS_AGAIN: Duration = Duration::from_millis(200);

impl Connection {
    /// Nothing was heard for long, or nobody has listened: a server that was busy reads a socket before it judges its
    /// silence, and once more after the system was asked what has come in. What has not been read yet is not silence.
    pub(super) fn judge<S>(
        &mut self,
        socket: &mut Socket<S>,
        context: &mut Context<'_>,
        may_read: bool,
    ) -> Turn
    where
        S: AsyncRead + AsyncWrite + Unpin + Send,
    {
        if may_read && let Poll::Ready(heard) = socket.poll_hear(context, self.largest) {
            return Turn::of(heard);
        }
        let is_silent = may_read && self.looked;
        self.looked = may_read && !is_silent;
        self.judges_from = self.turned + if may_read { LOOKS_AGAIN } else { LISTENS_AGAIN };
        self.set_alarm(self.judges_from);
        if is_silent { Turn::Silence } else { Turn::Nothing }
    }

    /// When nothing will have been heard for so long that somebody has to be told.
    pub(super) fn silence_at(&self) -> Instant {
        let lasts = if self.silent {
            self.server.settings.limits.silence
        } else {
            self.server.clock.in_life(NOT_HEARD_AFTER)
        };
        (self.heard + lasts).max(self.judges_from)
    }

    /// Nothing was heard for a while: the session is told, and later the connection is closed.
    pub(super) async fn silence(&mut self) -> Result<(), Ended> {
        if self.silent {
            return Err(Ended::Closing(Close::Silent));
        }
        self.silent = true;
        self.tell(Event::Said(Said::Silent(self.conn, self.heard_at()))).await
    }
}
