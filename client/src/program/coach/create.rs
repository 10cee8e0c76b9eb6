//! `thole coach create`: a session with its pieces and its roster, and the links to it.

use std::{net::IpAddr, path::PathBuf};

use clap::{Args, ValueEnum};
use serde_json::json;
use thole::{
    address::{Address, PlaceLink},
    coach::Coach,
    enter,
    roster::By,
};
use thole_protocol::{
    client_msg::{Create, Role},
    order::Order,
    server_msg::Joined,
    spec::{PieceSpec, Ranking, RosterEntry, SessionSettings},
};

use super::{Answer, Given, PieceArgs, action, answer, grace, welcomed};
use crate::program::{Common, Failed, any_seed, usage};

/// Most athletes in one message, according to the protocol.
const ADD_MAX: usize = 500;

#[derive(Args)]
pub(crate) struct CreateArgs {
    /// What people call the session
    #[arg(long, value_parser = title)]
    title: String,
    /// Table of athletes: name,team,target,plan,heart_limit,past
    #[arg(long, value_name = "FILE.csv")]
    roster: Option<PathBuf>,
    /// The head coach's link, or the key at its end; not needed when the server's data folder is on this
    /// machine
    #[arg(long, env = "THOLE_KEY", hide_env_values = true, value_name = "LINK")]
    key: Option<String>,
    /// The server's data folder on this machine, which proves that you are on it
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data", value_name = "FOLDER")]
    data: PathBuf,
    /// A piece (1700m, 12min, 6x350m/1:15, 3x4x500m/1:00/4:00); may be given several times
    #[arg(long = "piece", value_name = "PIECE")]
    pieces: Vec<String>,
    #[command(flatten)]
    settings: PieceArgs,
    /// What standings go by: the margin as a share of their own target, or in seconds or metres
    #[arg(long, value_enum, default_value_t = RankBy::Share)]
    ranking: RankBy,
    /// How many of each team count; 0 = as many as the smallest team has
    #[arg(long, default_value_t = 0, value_name = "N")]
    team_best: u16,
    /// How long a call can be taken back before it goes out
    #[arg(long, value_name = "TIME")]
    grace: Option<String>,
}

/// Spaces are no title.
fn title(typed: &str) -> Result<String, String> {
    let title = typed.trim();
    if title.is_empty() {
        return Err("say what people call the session, such as Wednesday".to_owned());
    }
    Ok(title.to_owned())
}

impl CreateArgs {
    /// The key that was given, or the one that a server on this machine has left.
    fn key(&self, server: &Address) -> Option<String> {
        if let Some(key) = &self.key {
            return Some(key.rsplit('#').next().unwrap_or(key).to_owned());
        }
        let left = std::fs::read_to_string(self.data.join("machine-key")).ok()?;
        let mut lines = left.lines();
        let (key, of) = (lines.next()?, Address::read(lines.next()?).ok()?);
        // It is the key of that server alone, and no other server gets to see it.
        let is_here = server.host == of.host || is_own(&server.host);
        (is_here && server.port == of.port).then(|| key.to_owned())
    }
}

/// Whether a host is this machine, whatever network it is in.
fn is_own(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum RankBy {
    /// Margin as a share of their own target
    Share,
    /// Margin in seconds or metres
    Amount,
}

impl RankBy {
    pub(crate) fn ranking(self) -> Ranking {
        match self {
            RankBy::Share => Ranking::Share,
            RankBy::Amount => Ranking::Amount,
        }
    }
}

pub(crate) async fn run(common: &Common, args: &CreateArgs) -> Result<(), Failed> {
    // Every mistake in what was typed is found before there is a session.
    let pieces: Vec<PieceSpec> = args
        .pieces
        .iter()
        .map(|words| args.settings.piece(words))
        .collect::<Result<_, _>>()
        .map_err(usage)?;
    let entries = match &args.roster {
        Some(file) => {
            let kinds: Vec<By> = pieces.iter().map(By::of).collect();
            action::read_table(file, &kinds).map_err(usage)?
        }
        None => Vec::new(),
    };
    let mut settings = SessionSettings {
        ranking: args.ranking.ranking(),
        team_best: args.team_best,
        ..SessionSettings::default()
    };
    if let Some(grace) = grace(args.grace.as_deref()).map_err(usage)? {
        settings.grace_ms = grace;
    }
    let address = common.address()?;
    let dial = common.dial(address.clone())?;
    let create = Create { title: args.title.clone(), settings, key: args.key(&address) };
    let created = enter::create(&dial, create).await.map_err(|not_in| not_in.says().to_owned())?;
    let link = |role, secret: &str| PlaceLink {
        address: address.clone(),
        role,
        code: Some(created.code.clone()),
        secret: secret.to_owned(),
    };
    let coach_link = link(Role::Coach, &created.coach_secret).to_string();
    let board_link = link(Role::Board, &created.board_secret).to_string();
    let mut coach = Coach::open(dial, created.coach_secret.clone(), None, any_seed()?);
    let filled = fill(&mut coach, pieces, entries).await;
    if let Err(Unfilled { says, .. }) = &filled
        && is_closed_again(&mut coach).await
    {
        let again = "The session that was started has been closed again: fix that, then run the same command again.";
        return Err(format!("{says} {again}").into());
    }
    let joined = filled.as_ref().map_or(&[] as &[Joined], Vec::as_slice);
    let personal: Vec<(&Joined, String)> =
        joined.iter().map(|j| (j, link(Role::Athlete, &j.secret).to_string())).collect();
    let athletes: Vec<_> = personal
        .iter()
        .map(|(j, link)| json!({"name": j.name, "athlete": j.athlete, "link": link}))
        .collect();
    let join_link = address.page(&format!("/row/{}", created.code.as_str()));
    let line = json!({
        "event": "created", "session": created.session, "code": created.code.as_str(),
        "coach_link": coach_link, "board_link": board_link, "join_link": join_link,
        "athletes": athletes,
    });
    // Even when it could not be closed again: the session exists, and this is the only time that its secrets are
    // shown.
    common.tell(line, || {
        let mut text = format!(
            "Join code   {}\nCoach       {coach_link}\nBoard       {board_link}\nJoin        \
             {join_link}",
            created.code
        );
        for (joined, link) in &personal {
            text.push_str(&format!("\n{:<11} {link}", joined.name));
        }
        Some(text)
    });
    filled.map(drop).map_err(|Unfilled { says, lacks }| {
        format!("The session is made, with the links above, but {lacks} ({says})").into()
    })
}

/// Why a session is not what was asked for, and what it lacks.
struct Unfilled {
    says: String,
    lacks: String,
}

/// Nobody is in it and nobody has its links: half a session would only be mistaken for a whole one.
async fn is_closed_again(coach: &mut Coach) -> bool {
    let command = coach.order(Order::CloseSession);
    answer(coach, command, Answer::Done).await.is_ok()
}

async fn fill(
    coach: &mut Coach,
    pieces: Vec<PieceSpec>,
    entries: Vec<RosterEntry>,
) -> Result<Vec<Joined>, Unfilled> {
    let lacks_all = "pieces and roster are missing: set them with \"thole coach pieces\" and \"thole coach add --roster\".";
    let lacking = |lacks: &str| {
        let lacks = lacks.to_owned();
        move |says| Unfilled { says, lacks }
    };
    welcomed(coach).await.map_err(lacking(lacks_all))?;
    if !pieces.is_empty() {
        let command = coach.order(Order::SetPieces { pieces });
        answer(coach, command, Answer::Done).await.map_err(lacking(lacks_all))?;
    }
    let mut joined = Vec::new();
    for some in entries.chunks(ADD_MAX) {
        let command = coach.add(some.to_vec());
        let lacks = match joined.len() {
            0 => "nobody on the roster is in it: use \"thole coach add --roster\".".to_owned(),
            some => format!("only the first {some} of the roster are in it: add the others."),
        };
        let added = answer(coach, command, Answer::Given).await.map_err(lacking(&lacks))?;
        if let Some(Given::Athletes(links)) = added {
            joined.extend(links.links);
        }
    }
    Ok(joined)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_has_something_in_it() {
        assert_eq!(title(" Wednesday, hall 2 "), Ok("Wednesday, hall 2".to_owned()));
        for nothing in ["", " ", " \t\u{a0} "] {
            assert!(title(nothing).unwrap_err().contains("such as Wednesday"), "{nothing:?}");
        }
    }
}
