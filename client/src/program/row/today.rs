//! `thole row --today`: how somebody rows today; whoever does not row says so and leaves.

use clap::ValueEnum;
use serde_json::json;
use thole::{
    athlete::{Athlete, AthleteConfig, AthleteNews},
    own_aim::OwnAim,
};
use thole_protocol::{event::Happening, spec::Today, standing::AthleteView};

use super::{
    RowArgs,
    telling::{Stays, Telling},
};
use crate::program::{Common, Failed, any_seed};

/// What `--today` says.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum TodayWord {
    /// Like everybody else
    AsUsual,
    /// Out of competition: no target, no place, no calls
    Easy,
    /// Not at all: your coach is told, nobody waits for you, and the program ends
    NotToday,
}

impl TodayWord {
    pub(super) fn meant(self) -> Today {
        match self {
            TodayWord::AsUsual => Today::AsUsual,
            TodayWord::Easy => Today::Easy,
            TodayWord::NotToday => Today::Not,
        }
    }
}

/// Takes the seat, says it, and waits until the server knows.
pub(super) async fn sit_out(common: &Common, args: RowArgs) -> Result<(), Failed> {
    let link = args.place(common).await?;
    let mut athlete = Athlete::open(AthleteConfig {
        dial: common.dial(link.address.clone())?,
        secret: link.secret,
        take_seat: args.take_seat,
        speed: args.speed,
        cautions_read: args.cautions_read,
        machine: None,
        share_heart_rate: false,
        aim: OwnAim::default(),
        today: Some(Today::Not),
        seed: any_seed()?,
    });
    let mut telling = Telling::new(common, Stays::AllPieces, args.speed, args.save_to);
    while let Some(told) = athlete.next().await {
        let is_known = |views: &[AthleteView]| views.iter().any(|view| view.today == Today::Not);
        // An athlete is told of nobody but themselves.
        let known = match &told {
            AthleteNews::Ended(ended) => return Ok(telling.ended(ended)?),
            AthleteNews::Welcome(welcome, _) => is_known(&welcome.athletes),
            AthleteNews::Event(event) => matches!(
                &event.what,
                Happening::AthletesChanged { athletes } if is_known(athletes)
            ),
            AthleteNews::Own(_)
            | AthleteNews::RefusedSamples(_)
            | AthleteNews::Refused(_)
            | AthleteNews::Lost { .. } => false,
        };
        telling.told(&told, athlete.pending());
        if known {
            common.tell(json!({"event": "not_today"}), || {
                Some("Your coach knows that you do not row today, and nobody waits for you.".into())
            });
            return Ok(());
        }
    }
    Ok(())
}
