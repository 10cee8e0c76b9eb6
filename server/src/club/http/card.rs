//! A card, shown in place of a key by the device that is to be let in. It opens this one call and nothing else.

use std::sync::Arc;

use axum::{Extension, routing::post};
use axum::{body::Body, extract::Request, http::Response, routing::MethodRouter};
use thole_protocol::club::{NewKey, Problem, ProblemKind, Spoken, spoken};

use super::{asked::Sent, door::bearer, refusal, told, told_as};
use crate::{
    Server,
    club::store::Shown,
    secret::{SecretHash, derived, new_secret},
    shares::Guest,
};

/// The route of the call.
pub(super) fn route() -> MethodRouter {
    post(async move |server: Extension<Arc<Server>>, guest: Extension<Guest>, request| match used(
        &server, &guest, request,
    )
    .await
    {
        Ok(answer) => answer,
        Err(problem) => refusal(&problem),
    })
}

async fn used(
    server: &Arc<Server>,
    guest: &Guest,
    request: Request,
) -> Result<Response<Body>, Problem> {
    let (mut parts, body) = request.into_parts();
    let without = "Show the card as `Authorization: Bearer CARD`: its link has it behind the #.";
    let card = bearer(&parts.headers).ok_or_else(|| no_card(without))?.to_owned();
    let limit = server.settings.limits.handshake;
    let (sent, once) = Sent::<spoken::UseCard>::read(&mut parts, body, limit).await?.said();
    // Whoever has not heard the answer asks again in the same way, and is given the same key; nobody else can say both.
    let secret = match once {
        Some(once) => derived(&[spoken::UseCard::CALL.name(), &card, &once]),
        None => new_secret(),
    };
    let (shown, hash, now) = (SecretHash::of(&card), secret.hash(), server.clock.unix_ms());
    let used = server.desk.ask(&server.settings.data, move |store| {
        Ok::<_, Problem>(store.use_card(shown, hash, &sent.device, now)?)
    });
    match used.await?? {
        Shown::Admits { key, person } => {
            guest.was_welcomed();
            let new = NewKey { key, secret: secret.reveal(), person };
            Ok(told_as::<spoken::UseCard>(told::<spoken::UseCard>(&new)))
        }
        Shown::Unknown => {
            // Whoever tries many is told so late.
            guest.was_wrong_secret().await;
            Err(no_card("There is no such card: ask whoever coaches you for one."))
        }
        Shown::Used => Err(no_card(
            "This card has let another device in, and works once: ask whoever coaches you for a new one.",
        )),
        Shown::Over => {
            Err(no_card("This card is no longer good: ask whoever coaches you for a new one."))
        }
    }
}

fn no_card(says: &str) -> Problem {
    Problem::of(ProblemKind::NoKey, says)
}
