//! What an athlete says of the day: that they row like everybody, easily, or not at all.

use thole_protocol::{
    ids::AthleteId,
    refusal::{Refusal, Why},
    spec::{Audience, Today},
};

use super::{Session, refused};
use crate::output::Output;

impl Session {
    /// It counts from the next start on, and in a piece that has begun for athletes who have not; whoever takes it easy is
    /// left in peace at once.
    pub(super) fn row_today(&mut self, id: AthleteId, today: Today, out: &mut Vec<Output>) {
        let Some(athlete) = self.people.get_mut(id).filter(|of| of.today != today) else { return };
        athlete.today = today;
        let now = self.now;
        if let Some(piece) = self.piece_mut().filter(|piece| !piece.is_over())
            && let Some(rower) = piece.rowers.get_mut(&id)
        {
            rower.row_today(today, now);
            out.push(Output::OwnChanged { athlete: id });
            self.publish_now(out);
        }
        if !today.is_as_usual() {
            self.end_call_of(id, out);
        }
    }

    /// A call to nobody would look as if it had gone out: whoever names athletes by hand is told that they take it easy.
    pub(super) fn check_is_called(&self, audience: &Audience) -> Result<(), Refusal> {
        let (Audience::Picked { athletes }, Some(piece)) = (audience, self.piece()) else {
            return Ok(());
        };
        let known = |id: &AthleteId| Some((piece.rowers.get(id)?, self.people.get(*id)?));
        let picked: Vec<_> = athletes.iter().filter_map(known).collect();
        if picked.is_empty() || picked.iter().any(|(rower, athlete)| !rower.is_let_be(athlete)) {
            return Ok(());
        }
        let says = match picked.as_slice() {
            [(_, athlete)] => format!(
                "{} takes it easy today and gets no calls: tell them yourself.",
                athlete.spec.name
            ),
            _ => "All of them take it easy today and get no calls: tell them yourself.".to_owned(),
        };
        refused(Why::NotNow, &says)
    }
}
