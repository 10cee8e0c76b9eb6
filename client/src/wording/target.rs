//! Targets and plans as people write them: `6:31.5`, `1:52.4/500m`, `4120m`; `even`, `500m@1:55+…`.

use thole_protocol::{
    spec::{Leg, Plan, Target},
    typed::{distance, duration, piece::extent},
};

/// Reads a target: a finish time, a distance, or a mean pace.
///
/// # Errors
/// A sentence that says what to type.
///
/// ```
/// use thole::wording::{target, target_text};
/// assert_eq!(target_text(target("1:52.4/500m").unwrap()), "1:52.4/500m");
/// assert_eq!(target("6:31,5"), target("6:31.5"));
/// ```
pub fn target(typed: &str) -> Result<Target, String> {
    let typed = &with_point(typed.trim());
    let wrong = || {
        format!(
            "\"{typed}\" is not a target; type a finish (6:31.5), a pace (1:52.4/500m) or a distance (4120m)."
        )
    };
    if let Some(pace) = typed.strip_suffix("/500m").or(typed.strip_suffix("/500")) {
        return Ok(Target::Pace { per_500m_ms: duration(pace).map_err(|_| wrong())? });
    }
    if let Ok(distance_dm) = distance(typed) {
        return Ok(Target::Distance { distance_dm });
    }
    Ok(Target::Finish { finish_ms: duration(typed).map_err(|_| wrong())? })
}

/// Half of the world writes the tenths of `6:31,5` after a comma.
fn with_point(typed: &str) -> String {
    match typed.split_once(',') {
        Some((minutes, tenths))
            if minutes.contains(':') && tenths.starts_with(|c: char| c.is_ascii_digit()) =>
        {
            format!("{minutes}.{tenths}")
        }
        Some(_) | None => typed.to_owned(),
    }
}

/// Reads a plan: `even`, `fast_start`, `negative_split`, or legs such as `500m@1:55+1200m@2:01`.
///
/// # Errors
/// A sentence that says what to type.
pub fn plan(typed: &str) -> Result<Plan, String> {
    match typed.trim().replace('-', "_").as_str() {
        "" | "even" => return Ok(Plan::Even),
        "fast_start" => return Ok(Plan::FastStart),
        "negative_split" => return Ok(Plan::NegativeSplit),
        _ => {}
    }
    let legs = typed.split('+').map(|part| {
        let (length, pace) = part.split_once('@')?;
        let pace = pace.trim().trim_end_matches("/500m");
        Some(Leg { length: extent(length.trim()).ok()?, per_500m_ms: duration(pace).ok()? })
    });
    let legs = legs.collect::<Option<Vec<Leg>>>().ok_or_else(|| {
        format!(
            "\"{typed}\" is not a plan; type even, fast_start, negative_split, or legs like \
             500m@1:55+1200m@2:01."
        )
    })?;
    Ok(Plan::Legs { legs })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use thole_protocol::{
        shown::target_text,
        spec::Extent,
        units::{Decimetres, Millis},
    };

    use super::*;

    #[test]
    fn targets_of_every_kind() {
        assert_eq!(target("6:31.5"), Ok(Target::Finish { finish_ms: Millis(391_500) }));
        assert_eq!(target("1:52.4/500m"), Ok(Target::Pace { per_500m_ms: Millis(112_400) }));
        assert_eq!(target("4120m"), Ok(Target::Distance { distance_dm: Decimetres(41_200) }));
        for typed in ["", "fast", "6.31.5", "x/500m", "391"] {
            assert!(target(typed).expect_err(typed).contains("1:52.4/500m"), "{typed}");
        }
    }

    #[test]
    fn plans_by_name_and_by_legs() {
        assert_eq!(plan("fast-start"), Ok(Plan::FastStart));
        assert_eq!(plan("even"), Ok(Plan::Even));
        let Ok(Plan::Legs { legs }) = plan("500m@1:55+1200m@2:01.5") else { panic!("legs") };
        assert_eq!(legs[1].length, Extent::Distance { distance_dm: Decimetres(12_000) });
        assert_eq!(legs[1].per_500m_ms, Millis(121_500));
        assert!(plan("as fast as I can").unwrap_err().contains("negative_split"));
    }

    proptest! {
        #[test]
        fn targets_to_the_tenth_survive(tenths in 100u32..90_000, dm in 100u32..500_000) {
            for wanted in [
                Target::Finish { finish_ms: Millis(tenths * 100) },
                Target::Pace { per_500m_ms: Millis(tenths * 100) },
                Target::Distance { distance_dm: Decimetres(dm) },
            ] {
                prop_assert_eq!(target(&target_text(wanted)), Ok(wanted));
            }
        }
    }
}
