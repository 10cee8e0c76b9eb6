//! What each of those who look at a session may see of it.

use thole_protocol::{
    event::{Damage, Event},
    ids::{AthleteId, EventNo, PieceNo},
    spec::{CallText, PieceSpec, SessionSettings},
    standing::{
        AthleteView, Calibration, Detail, Line, Notice, Overview, Own, PieceView, RunningCall,
        Standings,
    },
};

use super::{Session, ruling::for_everybody};
use crate::{
    output::To,
    picture::Picture,
    piece::{Piece, both},
    roster::Athlete,
    rower::{Rower, pace_now, waiting},
};

/// Who looks at a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Viewer {
    /// Sees everything.
    Coach,
    /// Sees names and standings, no heart rate.
    Board,
    /// Sees the session and themselves.
    Athlete(AthleteId),
}

impl Viewer {
    /// Whether an event addressed to these is for this viewer.
    pub(super) fn is_told(self, to: &To) -> bool {
        match self {
            Viewer::Coach => to.coach,
            Viewer::Board => to.board,
            Viewer::Athlete(athlete) => to.includes(athlete),
        }
    }
}

/// Everything now true that a viewer may see.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct View {
    /// What people call the session.
    pub title: String,
    /// Its settings.
    pub settings: SessionSettings,
    /// Nothing more is rowed.
    pub closed: bool,
    /// The latest event.
    pub last_event: EventNo,
    /// The pieces in their order.
    pub pieces: Vec<PieceView>,
    /// Which of them is the current one.
    pub current: PieceNo,
    /// The athletes that this viewer sees.
    pub athletes: Vec<AthleteView>,
    /// The coach's prepared calls.
    pub prepared: Vec<CallText>,
    /// How projections have turned out: for the coach alone.
    pub calibration: Option<Calibration>,
    /// What was told of focus calls since the current piece began: for screens.
    pub calls: Vec<Event>,
    /// An athlete's running call.
    pub call: Option<RunningCall>,
    /// An athlete's own standing.
    pub own: Option<Own>,
    /// What the journal has lost: for the coach alone.
    pub damage: Vec<Damage>,
}

impl Session {
    /// What people call the session; may be empty.
    #[must_use]
    pub fn title(&self) -> &str {
        &self.title
    }

    /// Everything now true that this viewer may see.
    #[must_use]
    pub fn view(&self, viewer: Viewer) -> View {
        let you = match viewer {
            Viewer::Athlete(athlete) => Some(athlete),
            Viewer::Coach | Viewer::Board => None,
        };
        let athletes = match you {
            Some(you) => self.athlete_view(you, viewer).into_iter().collect(),
            None => self
                .people
                .roster()
                .keys()
                .filter_map(|id| self.athlete_view(*id, viewer))
                .collect(),
        };
        View {
            title: self.title.clone(),
            settings: self.settings,
            closed: self.closed,
            last_event: self.news.last(),
            pieces: self
                .programme
                .all()
                .iter()
                .map(|piece| self.piece_view(piece, viewer))
                .collect(),
            current: self.programme.current_no(),
            athletes,
            prepared: if viewer == Viewer::Coach { self.prepared.clone() } else { Vec::new() },
            calibration: (viewer == Viewer::Coach).then(|| self.calibration()),
            calls: self.calls_told(viewer),
            call: you.and_then(|you| {
                let recording = &self.people.get(you)?.recording;
                self.piece()?.rowers.get(&you)?.running_view(recording)
            }),
            own: you.and_then(|you| self.own(you)),
            damage: if viewer == Viewer::Coach { self.damage() } else { Vec::new() },
        }
    }

    /// Everybody who has finished a piece and did not take it easy, with what they rowed it by and how they rowed it: for
    /// fitting a model.
    pub fn finishes(&self) -> impl Iterator<Item = (&Piece, &Rower)> {
        let pieces = self.programme.all().iter().filter(|piece| piece.is_over());
        pieces.flat_map(|piece| {
            let home = |rower: &&Rower| {
                rower.today().is_as_usual() && rower.finish(piece.rule(), self.now).is_some()
            };
            piece.rowers.values().filter(home).map(move |rower| (piece, rower))
        })
    }

    /// Standings, details and notices as last published.
    #[must_use]
    pub fn overview(&self) -> Overview {
        let standings = self.standings().cloned().unwrap_or_default();
        let details = self.details(&standings.lines);
        Overview { standings, details, notices: self.notices.clone() }
    }

    /// The standings of the current piece as last published; `None` without a piece.
    #[must_use]
    pub fn standings(&self) -> Option<&Standings> {
        self.piece().map(|piece| &piece.standings)
    }

    /// Renews what screens show of the current piece, if it is time; `speed` is the session's.
    pub fn show(&self, picture: &mut Picture, speed: u32) {
        if let Some(piece) = self.piece() {
            picture.renew(&piece.standings, (piece.phase(), &self.settings), speed);
        }
    }

    /// Who needs a word, as last published, most urgent first.
    #[must_use]
    pub fn notices(&self) -> &[Notice] {
        &self.notices
    }

    /// One athlete as this viewer may see them.
    pub(super) fn athlete_view(&self, id: AthleteId, viewer: Viewer) -> Option<AthleteView> {
        let athlete = self.people.get(id)?;
        let piece = self.piece();
        let rower = piece.and_then(|piece| Some((piece, piece.rowers.get(&id)?)));
        let doing = match rower {
            Some((piece, rower)) => rower.doing(athlete, piece.rule(), self.now),
            None => waiting(athlete),
        };
        let current = self.programme.current_no();
        Some(match viewer {
            Viewer::Coach => {
                let is_asked = piece.is_some_and(|piece| !piece.has_begun());
                let question = self.questions.get(&id).filter(|_| is_asked).cloned();
                AthleteView { question, ..athlete.view(id, current, doing) }
            }
            Viewer::Athlete(_) if self.is_at_hall(id) => athlete.hall_view(id, current, doing),
            Viewer::Athlete(_) => athlete.view(id, current, doing),
            Viewer::Board => athlete.public_view(id, current, doing),
        })
    }

    fn piece_view(&self, piece: &Piece, viewer: Viewer) -> PieceView {
        let results = match viewer {
            // Thousands may come back at once: each is shown only their own result.
            Viewer::Athlete(you) => {
                piece.result_of(you, self.now, self.people.roster()).into_iter().collect()
            }
            Viewer::Coach | Viewer::Board => {
                piece.results(self.now, &self.settings, self.people.roster())
            }
        };
        let teams = match viewer {
            Viewer::Coach | Viewer::Board if piece.is_over() => piece.standings.teams.clone(),
            Viewer::Coach | Viewer::Board | Viewer::Athlete(_) => Vec::new(),
        };
        let mut spec = piece.spec.clone();
        if viewer != Viewer::Coach {
            // The sheet is for the coach only: a call should be new when it comes.
            spec = PieceSpec { call_sheet: Vec::new(), ..spec };
        }
        let mut rulings = piece.ruled.told();
        if viewer != Viewer::Coach {
            rulings = for_everybody(&rulings);
        }
        PieceView { piece: piece.no, spec, phase: piece.phase(), results, teams, rulings }
    }

    /// What else is known of each athlete, in the order of these lines of the current piece.
    #[must_use]
    pub fn details(&self, lines: &[Line]) -> Vec<Detail> {
        let Some(piece) = self.piece() else { return Vec::new() };
        let known = both(&piece.rowers, self.people.roster());
        let known: Vec<Detail> =
            known.map(|(id, rower, athlete)| self.detail(*id, rower, athlete)).collect();
        let of = |line: &Line| {
            let at = known.binary_search_by_key(&line.athlete, |known| known.athlete).ok()?;
            known.get(at).cloned()
        };
        lines.iter().filter_map(of).collect()
    }

    fn detail(&self, id: AthleteId, rower: &Rower, athlete: &Athlete) -> Detail {
        let points = athlete.recording.recent();
        let rate = points.last().map(|point| point.rate).filter(|rate| *rate > 0);
        let (done_dm, elapsed_ms) = rower.done();
        Detail {
            athlete: id,
            done_dm,
            elapsed_ms,
            pace_per_500m_ms: pace_now(points),
            plan_per_500m_ms: rower.planned_pace(),
            rate_half_spm: rate.map(thole_protocol::units::HalfSpm),
            heart_bpm: athlete.heart(self.now),
            call: rower.running().map(|running| running.call),
            call_strokes_left: rower.strokes_left(&athlete.recording),
        }
    }
}
