//! What the coach is asked about targets before the start.

use std::collections::BTreeMap;

use thole_protocol::{
    ids::AthleteId,
    question::Question,
    spec::{Aim, PieceSpec},
};

use super::Session;
use crate::{
    piece::Piece,
    question::{self, Middle},
};

impl Session {
    /// Looks at all targets of the current piece again; athletes whose question has changed are told with the
    /// roster.
    pub(super) fn look_at_targets(&mut self) {
        let now = self.questions_now();
        let differs = |id: &&AthleteId| now.get(id) != self.questions.get(id);
        let changed: Vec<AthleteId> =
            now.keys().chain(self.questions.keys()).filter(differs).copied().collect();
        let people = self.people.roster();
        self.news.there_is(changed.into_iter().filter(|id| people.contains_key(id)));
        self.questions = now;
    }

    /// What there is to ask; nothing once the piece has begun.
    fn questions_now(&self) -> BTreeMap<AthleteId, Question> {
        let Some(piece) = self.piece().filter(|piece| !piece.has_begun()) else {
            return BTreeMap::new();
        };
        let no = piece.no;
        let aims = self.people.roster().values().filter_map(|athlete| athlete.aims.get(&no));
        let middle = Middle::of(&piece.spec, aims);
        let others: Vec<&PieceSpec> = self.others(piece).collect();
        let ask = |aim: &Aim| question::question(&piece.spec, aim, middle, &others);
        // Nobody rows easily by a target.
        let by_target = self.people.roster().iter().filter(|(_, of)| of.today.is_as_usual());
        let asked = by_target.filter_map(|(id, athlete)| {
            let left_out = athlete.left_out.get(&no);
            let question = match left_out {
                Some(target) => question::left_out(&piece.spec, target),
                None => athlete.aims.get(&no).and_then(ask),
            };
            Some((*id, question?))
        });
        asked.collect()
    }

    fn others(&self, piece: &Piece) -> impl Iterator<Item = &PieceSpec> {
        let no = piece.no;
        self.programme.all().iter().filter(move |other| other.no != no).map(|other| &other.spec)
    }
}
