//! The model with which this server projects finishes, and how that has turned out over all its sessions.

use std::{
    path::Path,
    sync::{Mutex, PoisonError},
};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use thole_piece::{
    Input,
    projection::{Count, Model, ModelFile, Width},
};
use thole_protocol::standing::Calibration;
use thole_study::model;

/// Under this name the journal keeps what is known of how good the projections are.
pub const NOTE: &str = "calibration";

/// What is known of how good the projections are, as the journal keeps it.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Known {
    /// The share of misses that the intervals aim at, in millionths.
    aim_ppm: u32,
    count: Count,
    /// Hash of the model that this is about; empty in notes from before it was kept.
    #[serde(default)]
    of: String,
}

/// The model in force, and what is known of how good it is.
pub struct Forecasts {
    file: ModelFile,
    model: Model,
    known: Mutex<Known>,
}

impl Default for Forecasts {
    fn default() -> Forecasts {
        Forecasts::by(None).expect("the shipped model is read by every test")
    }
}

impl Known {
    fn nothing(of: String) -> Known {
        Known { aim_ppm: Width::default().aim_ppm(), count: Count::default(), of }
    }
}

/// What a model is recognised by: a club may give all of its models the same name.
fn hash(file: &ModelFile) -> String {
    let text = serde_json::json!(file).to_string();
    Sha256::digest(text).iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

impl Forecasts {
    /// With the model of a file; with the shipped one when none is named.
    ///
    /// # Errors
    /// One sentence: the file cannot be read or is not a model, and what to do.
    pub fn by(model: Option<&Path>) -> Result<Forecasts, String> {
        let (file, model) = model::named(model)?;
        let known = Mutex::new(Known::nothing(hash(&file)));
        Ok(Forecasts { file, model, known })
    }

    /// Takes up what was known when the server was stopped. A note that cannot be understood is left out:
    /// counting begins afresh. Which side finishes come out on is told only of the model in force.
    pub fn take_up(&self, note: &str) {
        match serde_json::from_str::<Known>(note) {
            Ok(note) => {
                let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
                known.count =
                    if note.of == known.of { note.count } else { note.count.by_another_model() };
                known.aim_ppm = note.aim_ppm;
            }
            Err(error) => tracing::warn!(%error, "how projections turned out is counted anew"),
        }
    }

    /// For a session to begin with or to go on with.
    #[must_use]
    pub fn input(&self) -> Input {
        let Known { aim_ppm, count, .. } = self.known();
        Input::Projecting { model: Box::new(self.file.clone()), aim_ppm, so_far: count }
    }

    /// The model in force.
    #[must_use]
    pub fn model(&self) -> &Model {
        &self.model
    }

    /// A piece is over; returns the note that the journal is to keep.
    #[must_use]
    pub fn count(&self, count: Count, width: Width) -> String {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        (known.aim_ppm, known.count) = (width.aim_ppm(), known.count.and(count));
        serde_json::json!(*known).to_string()
    }

    /// How projections have turned out on this server.
    #[must_use]
    pub fn told(&self) -> Calibration {
        let Known { aim_ppm, count, .. } = self.known();
        count.told(Width::of(aim_ppm), self.model.name())
    }

    fn known(&self) -> Known {
        self.known.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A server that starts again with another model does not blame it for the one before.
    #[test]
    fn a_new_model_is_not_told_to_be_off_for_the_one_before() {
        let count = Count {
            finishes: 80,
            intervals: 240,
            held: 150,
            slower: 75,
            faster: 5,
            ..Count::default()
        };
        let before = Forecasts::default();
        let note = before.count(count, Width::default());
        let again = Forecasts::default();
        again.take_up(&note);
        assert!(
            again.told().says.contains("75 of 80 finishes were slower"),
            "{}",
            again.told().says
        );
        let known = Mutex::new(Known::nothing("another".to_owned()));
        let other = Forecasts { known, ..Forecasts::default() };
        other.take_up(&note);
        assert!(!other.told().says.contains("slower"), "{}", other.told().says);
        assert_eq!(other.told().finishes, 80);
    }
}
