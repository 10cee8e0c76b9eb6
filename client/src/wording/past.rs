//! Past results of the same piece as people write them: `7:06.2@9d+3120m@40d`.

use thole_protocol::{
    limits,
    spec::{PastResult, Target},
};

use super::target::target;

/// The most that the server accepts.
const RESULTS_MAX: usize = limits::HISTORY_MAX;

/// Reads past results, what was rowed and how many days ago; newest first, whatever the order.
///
/// # Errors
/// A sentence that says what to type.
///
/// ```
/// let past = thole::wording::past("7:11@40d + 7:06.2@9d").unwrap();
/// assert_eq!(past[0].days_ago, 9);
/// ```
pub fn past(typed: &str) -> Result<Vec<PastResult>, String> {
    let mut results = typed.split('+').map(one).collect::<Result<Vec<PastResult>, String>>()?;
    if results.len() > RESULTS_MAX {
        return Err(format!("More than {RESULTS_MAX} past results; leave out the oldest."));
    }
    results.sort_by_key(|result| result.days_ago);
    Ok(results)
}

fn one(part: &str) -> Result<PastResult, String> {
    let read = || {
        let (rowed, days) = part.split_once('@')?;
        let days = days.trim().strip_suffix('d')?.trim_end();
        let short = days.len() <= 5 && days.bytes().all(|digit| digit.is_ascii_digit());
        let days_ago = short.then(|| days.parse().ok()).flatten()?;
        match target(rowed).ok()? {
            // It does not say over what distance.
            Target::Pace { .. } => None,
            result @ (Target::Finish { .. } | Target::Distance { .. }) => {
                Some(PastResult { days_ago, result })
            }
        }
    };
    read().ok_or_else(|| {
        format!(
            "\"{}\" is not a past result; type a finish or a distance and how many days ago, like \
             7:06@9d or 3120m@40d.",
            part.trim()
        )
    })
}

#[cfg(test)]
mod tests {
    use thole_protocol::units::Decimetres;

    use super::*;

    #[test]
    fn a_finish_or_a_distance_and_how_long_ago() {
        let read = past("3120m@0d").unwrap();
        let result = Target::Distance { distance_dm: Decimetres(31_200) };
        assert_eq!(read, [PastResult { days_ago: 0, result }]);
        for wrong in
            ["", "7:06", "7:06@9", "7:66@9d", "2:03/500m@9d", "@9d", "7:06@9d+", "7:06@-1d"]
        {
            let says = past(wrong).expect_err(wrong);
            assert!(says.contains("like 7:06@9d or 3120m@40d"), "{wrong}: {says}");
        }
        let many = vec!["7:06@9d"; 101].join("+");
        assert!(past(&many).unwrap_err().contains("leave out the oldest"));
    }
}
