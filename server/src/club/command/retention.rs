//! For how long the club keeps what machines and straps have said.

use thole_club::ClubDay;

use super::many;
use crate::{
    club::store::{Keeping, Store, WasLetGo},
    journal::Passing,
};

/// Sets what was said, and says how it is.
pub(super) fn run(
    store: &mut Store,
    strokes_days: Option<u32>,
    heart_rate_days: Option<u32>,
) -> Result<String, String> {
    let before = store.keeping()?;
    let now = Keeping {
        strokes_days: strokes_days.unwrap_or(before.strokes_days),
        heart_rate_days: heart_rate_days.unwrap_or(before.heart_rate_days),
    };
    let mut says = String::new();
    if now != before {
        store.set_keeping(now)?;
        says.push_str(
            "What is due by that goes in a week at the earliest: until then it can be set back.\n",
        );
    }
    says.push_str(&format!(
        "Strokes are kept for {} days, heart rate for {}; results stay as long as their people.\n",
        now.strokes_days, now.heart_rate_days
    ));
    let (strokes, heart_rate) =
        (store.was_let_go(Passing::Strokes)?, store.was_let_go(Passing::HeartRate)?);
    let ran = match store.retention_ran()? {
        Some(at) => format!("It was last looked on {}", store.club().zone.day(at).as_str()),
        None => "It was never looked yet: a server does, every hour".to_owned(),
    };
    says.push_str(&format!(
        "{ran}. Gone so far: strokes {}, heart rate {}.\n",
        gone(&strokes),
        gone(&heart_rate)
    ));
    Ok(says)
}

fn gone(of: &WasLetGo) -> String {
    let day = of.day.as_ref().map(ClubDay::as_str);
    match (usize::try_from(of.sessions), day) {
        (Ok(sessions @ 1..), Some(day)) => {
            format!("of {}, the last on {day}", many(sessions, "session"))
        }
        _ => "of none".to_owned(),
    }
}
