//! What coaches have said with their rulings: it stands with their orders, and not in the record of the piece.

use std::collections::BTreeMap;

use thole_piece::Session;
use thole_protocol::ids::CommandId;

/// What a coach has said with one ruling.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    /// Why.
    pub reason: String,
    /// What the coach was called; `None` for whoever came by the session's coach link.
    pub by: Option<String>,
}

/// The words of rulings by their orders; those that the journal has lost are not in it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Words(BTreeMap<CommandId, Said>);

impl Words {
    /// As a session has them now.
    #[must_use]
    pub fn of(session: &Session) -> Words {
        let said = session.reasons().map(|(command, reason, by)| {
            let by = by.map(|by| by.name.clone());
            (command, Said { reason: reason.to_owned(), by })
        });
        Words(said.collect())
    }

    /// What was said with an order; `None` when that is not known any more.
    #[must_use]
    pub fn get(&self, command: CommandId) -> Option<&Said> {
        self.0.get(&command)
    }
}

impl FromIterator<(CommandId, Said)> for Words {
    fn from_iter<I: IntoIterator<Item = (CommandId, Said)>>(said: I) -> Words {
        Words(said.into_iter().collect())
    }
}
