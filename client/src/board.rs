//! A board's place in a session: sees where everybody stands, says nothing.

use std::{collections::VecDeque, time::Duration};

use thole_protocol::{ServerMsg, client_msg::Role, event::Event, standing::Standings};

use crate::{
    clock::SessionClock,
    link::{Link, LinkConfig, LinkNews},
    mirror::Mirror,
    socket::{Dial, Ended},
};

/// What a board is told.
#[derive(Clone, Debug)]
pub enum BoardNews {
    /// Connected: `Board::mirror` has everything now true.
    Welcome,
    /// Something happened.
    Event(Event),
    /// Who stands where.
    Standings(Standings),
    /// The connection was lost; the link comes back by itself.
    Lost {
        /// Why.
        says: String,
        /// When it is tried again, in real time.
        again_in: Duration,
    },
    /// The link has ended for good.
    Ended(Ended),
}

/// A board's place in a session.
#[derive(Debug)]
pub struct Board {
    link: Link,
    mirror: Option<Mirror>,
    told: VecDeque<BoardNews>,
}

impl Board {
    /// Starts connecting.
    #[must_use]
    pub fn open(dial: Dial, secret: String, seed: u64) -> Board {
        let config = LinkConfig {
            dial,
            role: Role::Board,
            secret,
            code: None,
            run: None,
            device: None,
            take_seat: false,
            speed: 1,
            seed,
        };
        Board { link: Link::open(config), mirror: None, told: VecDeque::new() }
    }

    /// The session as known here; `None` before the first welcome.
    #[must_use]
    pub fn mirror(&self) -> Option<&Mirror> {
        self.mirror.as_ref()
    }

    /// The session's clock.
    #[must_use]
    pub fn clock(&self) -> &SessionClock {
        self.link.clock()
    }

    /// Waits for news; `None` after `BoardNews::Ended`. Nothing is lost when the wait is given up.
    pub async fn next(&mut self) -> Option<BoardNews> {
        loop {
            if let Some(told) = self.told.pop_front() {
                return Some(told);
            }
            match self.link.next().await? {
                LinkNews::Welcome { welcome, .. } => {
                    self.mirror = Some(Mirror::of(*welcome));
                    self.told.push_back(BoardNews::Welcome);
                }
                LinkNews::Said(ServerMsg::Standings(standings)) => {
                    self.told.push_back(BoardNews::Standings(standings));
                }
                LinkNews::Said(ServerMsg::Events { events }) => {
                    for event in events {
                        if let Some(mirror) = &mut self.mirror {
                            mirror.take(&event);
                        }
                        self.told.push_back(BoardNews::Event(event));
                    }
                }
                // Nothing else that can be said concerns a board.
                LinkNews::Said(_) | LinkNews::ClockSet => {}
                LinkNews::Lost { says, again_in, .. } => {
                    self.told.push_back(BoardNews::Lost { says, again_in })
                }
                LinkNews::Ended(ended) => self.told.push_back(BoardNews::Ended(ended)),
            }
        }
    }
}
