//! What a coach at the command line is told: roster, phase, standings, notices, calls, results.

use std::time::Duration;

use serde_json::json;
use thole::{
    address::PlaceLink,
    coach::{Coach, CoachNews},
    mirror::Mirror,
    results::ResultsTold,
    table::{doing_text, notice_text, result_text, standings_text},
    wording::{repeats_text, target_text},
};
use thole_protocol::{
    client_msg::Role,
    effect::CallEffect,
    event::{Event, Happening},
    server_msg::{BoardLink, CoachLink, JoinRequest, Links},
    standing::{Phase, PieceView},
};

use super::{Place, numbers};

/// The latest standings follow right after the welcome; a status waits this long for them.
const SETTLE: Duration = Duration::from_millis(700);

/// Takes in what follows the welcome by itself.
pub(crate) async fn settle(coach: &mut Coach) {
    let overview = async {
        while let Some(told) = coach.next().await {
            if let CoachNews::Overview(_) | CoachNews::Ended(_) = told {
                return;
            }
        }
    };
    // If there are no standings yet, there is nothing more to wait for.
    drop(tokio::time::timeout(SETTLE, overview).await);
}

/// The whole session.
pub(crate) fn status(place: &Place<'_>, coach: &Coach) {
    let Some(mirror) = coach.mirror() else { return };
    let now = mirror.now();
    let overview = coach.overview();
    let line = json!({
        "event": "status", "title": now.title, "code": now.code.as_str(), "closed": now.closed,
        "in_command": coach.in_command(), "speed": now.speed, "settings": now.settings,
        "current": now.current, "pieces": now.pieces, "athletes": now.athletes,
        "overview": overview, "requests": coach.requests(), "damage": now.damage,
    });
    place.common.tell(line, || {
        let mut text = format!("{}  join: {}\n", now.title, now.code);
        for piece in &now.pieces {
            let mark = if piece.piece == now.current { ">" } else { " " };
            text.push_str(&format!("{mark} {}\n", piece_text(piece)));
        }
        for view in &now.athletes {
            // The roster says who is there; what they are doing at this moment is in the standings.
            let line = overview
                .and_then(|o| o.standings.lines.iter().find(|line| line.athlete == view.athlete));
            let doing = line.map_or(view.doing, |line| line.doing);
            let team = view.spec.team.as_deref().unwrap_or("-");
            let target = view.aim.target.map_or("no target".into(), target_text);
            let ready = if view.cautions_read { "" } else { ", cautions not read" };
            text.push_str(&format!(
                "    {:<20} {team:<12} {target:<14} {}{ready}\n",
                view.spec.name,
                doing_text(doing)
            ));
            if let Some(question) = &view.question {
                text.push_str(&format!("      ? {}\n", question.says));
            }
        }
        if let Some(overview) = overview.filter(|o| !o.standings.lines.is_empty()) {
            text.push_str(&standings_text(
                &overview.standings,
                &mirror.names(),
                now.settings.ranking,
            ));
            for notice in &overview.notices {
                text.push_str(&format!("  ! {}\n", notice_text(notice, &mirror.names())));
            }
        }
        for damage in &now.damage {
            text.push_str(&format!("!! {}\n", damage.says));
        }
        for request in coach.requests() {
            text.push_str(&request_text(request));
            text.push('\n');
        }
        Some(text.trim_end().to_owned())
    });
}

/// Who sits ready without a target: the last moment at which a coach can set one before the start.
pub(crate) fn without_target(place: &Place<'_>, mirror: &Mirror) {
    let without: Vec<&str> = (mirror.now().athletes.iter())
        .filter(|view| view.aim.target.is_none())
        .map(|view| view.spec.name.as_str())
        .collect();
    if without.is_empty() {
        return;
    }
    let line = json!({"event": "without_target", "names": without});
    place.common.tell(line, || Some(without_target_text(&without)));
}

fn without_target_text(names: &[&str]) -> String {
    let who = match names {
        [one] => format!("{one} has no target for this piece, and will have no place."),
        _ => format!("No target for this piece, and so no place: {}.", names.join(", ")),
    };
    format!("{who} Set one with aim NAME TARGET.")
}

/// Who asks to be let in, all of them.
pub(crate) fn requests(place: &Place<'_>, coach: &Coach) {
    let line = json!({"event": "requests", "requests": coach.requests()});
    place.common.tell(line, || {
        let lines: Vec<String> = coach.requests().iter().map(request_text).collect();
        (!lines.is_empty()).then(|| lines.join("\n"))
    });
}

fn request_text(request: &JoinRequest) -> String {
    let from = request.from.as_deref().map_or(String::new(), |from| format!(", {from}"));
    let here = if request.here { "" } else { ", not connected just now" };
    format!(
        "? {} asks to be let in{from}{here}: let-in or turn-away \"{}\" ({})",
        request.name, request.name, request.request
    )
}

/// A piece and how far it is.
pub(crate) fn piece_text(piece: &PieceView) -> String {
    let title = if piece.spec.title.is_empty() {
        String::new()
    } else {
        format!(" ({})", piece.spec.title)
    };
    format!(
        "{}. {}{title}: {}",
        u32::from(piece.piece.0) + 1,
        repeats_text(&piece.spec.repeats),
        if piece.rulings.official.is_some() { "official".into() } else { phase_text(piece.phase) }
    )
}

/// A phase in words.
pub(crate) fn phase_text(phase: Phase) -> String {
    match phase {
        Phase::Gathering => "gathering".into(),
        Phase::Armed => "ready to start".into(),
        Phase::Counting { .. } => "countdown".into(),
        Phase::Rowing { repeat: 0, .. } => "rowing".into(),
        Phase::Rowing { repeat, .. } => format!("rowing repeat {}", repeat + 1),
        Phase::Resting { next_repeat, .. } => format!("rest before repeat {}", next_repeat + 1),
        Phase::Closing { .. } => "the first are in; close ends the wait for the others".into(),
        Phase::Finished { .. } => "finished".into(),
        Phase::Stopped { .. } => "stopped".into(),
    }
}

/// Secrets, shown only this once.
pub(crate) fn links(place: &Place<'_>, links: &Links) {
    let link = |secret: &str| {
        PlaceLink { role: Role::Athlete, secret: secret.to_owned(), ..place.link.clone() }
            .to_string()
    };
    let all: Vec<_> = links
        .links
        .iter()
        .map(|j| json!({"name": j.name, "athlete": j.athlete, "link": link(&j.secret)}))
        .collect();
    place.common.tell(json!({"event": "links", "athletes": all}), || {
        let lines = links.links.iter().map(|j| format!("{:<20} {}", j.name, link(&j.secret)));
        Some(lines.collect::<Vec<_>>().join("\n"))
    });
}

/// A new secret for boards, shown only this once.
pub(crate) fn board_link(place: &Place<'_>, link: &BoardLink) {
    let secret = link.board_secret.clone();
    let link = PlaceLink { role: Role::Board, secret, ..place.link.clone() }.to_string();
    place
        .common
        .tell(json!({"event": "board_link", "link": link}), || Some(format!("Board       {link}")));
}

/// A new secret for the coach's devices, shown only this once.
pub(crate) fn coach_link(place: &Place<'_>, link: &CoachLink) {
    let secret = link.coach_secret.clone();
    let link = PlaceLink { role: Role::Coach, secret, ..place.link.clone() }.to_string();
    place
        .common
        .tell(json!({"event": "coach_link", "link": link}), || Some(format!("Coach       {link}")));
}

/// One thing that happened.
pub(crate) fn event(
    place: &Place<'_>,
    mirror: Option<&Mirror>,
    results: &mut ResultsTold,
    event: &Event,
) {
    place.common.tell(json!({"event": "happened", "happened": event}), || {
        event_text(mirror?, results, event)
    });
}

fn event_text(mirror: &Mirror, results: &mut ResultsTold, event: &Event) -> Option<String> {
    let (names, ranking) = (mirror.names(), mirror.now().settings.ranking);
    let results = results.after(mirror, &event.what);
    let mut lines = results.iter().map(|result| result_text(result, &names, ranking));
    match &event.what {
        Happening::PhaseChanged { piece, phase } => {
            let words = mirror.piece(*piece).map(|p| repeats_text(&p.spec.repeats))?;
            let heading = format!("== {words}: {}", phase_text(*phase));
            Some(std::iter::once(heading).chain(lines).collect::<Vec<_>>().join("\n"))
        }
        Happening::FalseStart { .. } => Some("== False start: everybody back.".into()),
        Happening::CallArmed { text, call, .. } => {
            let call = numbers::shown(call.0);
            Some(format!(">> \"{}\" goes out; take-back {call} stops it", text.shown))
        }
        Happening::CallSent(sent) => {
            let to = match sent.athletes.len() {
                0 => "nobody: none of those it was for is rowing".to_owned(),
                to => to.to_string(),
            };
            let replaced = match sent.replaced.len() {
                0 => String::new(),
                replaced => format!(", ended another call for {replaced}"),
            };
            Some(format!(">> \"{}\" went to {to}{replaced}", sent.text.shown))
        }
        Happening::CallTakenBack { .. } => Some(">> taken back".into()),
        Happening::CallEnded { .. } => None,
        Happening::CallEffect(effect) => effect_text(effect),
        Happening::Results { .. } => {
            let first = lines.next()?;
            Some(lines.fold(first, |text, line| format!("{text}\n{line}")))
        }
        Happening::Ruled { piece, rulings } => Some(format!(
            "== Piece {}: {}",
            u32::from(piece.0) + 1,
            match (&rulings.official, &rulings.reopened) {
                (Some(_), _) => "official",
                (None, Some(_)) => "reopened; not official",
                (None, None) => "corrected; results says what",
            }
        )),
        Happening::Calibrated { calibration } => Some(format!("== {}", calibration.says)),
        Happening::LooksLike { athlete, like } => {
            let name = names.get(athlete)?;
            Some(match like.and_then(|like| names.get(&like)) {
                Some(other) => format!("!! {name} looks like {other}: are they two people?"),
                None => {
                    format!("!! {name} is written with letters of several scripts: look twice.")
                }
            })
        }
        Happening::SecondDevice { athlete } => {
            let name = names.get(athlete)?;
            Some(format!(
                "!! A second device has come to the seat of {name}. If it is not theirs: new-link \"{name}\""
            ))
        }
        Happening::ClockSet { by_ms: Some(by_ms), devices } => Some(format!(
            "!! The server's machine came back with a wrong clock. It was corrected by {:.1} s, going by {devices} \
             devices; results of this piece are marked, since their times may be wrong.",
            by_ms.unsigned_abs() as f64 / 1e3
        )),
        Happening::ClockSet { by_ms: None, .. } => Some(
            "!! The server's machine was switched off in this piece, and fewer than three devices came back in time to \
             check its clock: times of this piece may be wrong."
                .into(),
        ),
        Happening::Damaged(damage) => Some(format!("!! {}", damage.says)),
        Happening::SessionClosed => Some("== The session is closed.".into()),
        Happening::AthletesChanged { .. }
        | Happening::AthletesRemoved { .. }
        | Happening::PiecesSet { .. }
        | Happening::SettingsChanged { .. }
        | Happening::CallsPrepared { .. }
        | Happening::Call { .. }
        | Happening::Unknown => None,
    }
}

/// What changed after a call, as it was measured; `None` when nothing could be.
fn effect_text(effect: &CallEffect) -> Option<String> {
    let speed = effect.speed?;
    let percent = |ppm: f64| ppm / 10_000.0;
    let (best, half) = (percent(f64::from(speed.best_ppm)), percent(f64::from(speed.half_ppm)));
    let against = match effect.against {
        0 => "compared with nobody".to_owned(),
        others => format!("compared with {others} others"),
    };
    Some(format!(
        ">> after that call, speed {best:+.1} \u{b1} {half:.1} % ({} of {} faster, {against})",
        effect.faster, effect.of
    ))
}
