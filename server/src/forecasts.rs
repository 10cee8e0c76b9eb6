//! By what this server projects finishes, and how that has turned out over all its sessions.

use std::{
    path::Path,
    sync::{Mutex, PoisonError},
};

use serde::{Deserialize, Serialize};
use thole_piece::{
    Input,
    projection::{Count, Model, ModelFile, Width},
};
use thole_protocol::standing::Calibration;
use thole_study::model;

/// Under this name the journal keeps what is known of the projections' worth.
pub const NOTE: &str = "calibration";

/// What is known of the projections' worth, as the journal keeps it.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Known {
    /// Misses that the intervals aim at, in millionths.
    aim_ppm: u32,
    count: Count,
}

/// The model in force, and what is known of its worth.
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
    fn nothing() -> Known {
        Known { aim_ppm: Width::default().aim_ppm(), count: Count::default() }
    }
}

impl Forecasts {
    /// By the model of a file; by the shipped one when none is named.
    ///
    /// # Errors
    /// One sentence: the file cannot be read or is no model, and what to do.
    pub fn by(model: Option<&Path>) -> Result<Forecasts, String> {
        let (file, model) = model::named(model)?;
        Ok(Forecasts { file, model, known: Mutex::new(Known::nothing()) })
    }

    /// Takes up what was known when the server was stopped. A note that cannot be understood is left
    /// out: counting begins anew.
    pub fn take_up(&self, note: &str) {
        match serde_json::from_str(note) {
            Ok(known) => *self.known.lock().unwrap_or_else(PoisonError::into_inner) = known,
            Err(error) => tracing::warn!(%error, "how projections turned out is counted anew"),
        }
    }

    /// For a session to begin or to go on with.
    #[must_use]
    pub fn input(&self) -> Input {
        let Known { aim_ppm, count } = self.known();
        Input::Projecting { model: Box::new(self.file.clone()), aim_ppm, so_far: count }
    }

    /// The model in force.
    #[must_use]
    pub fn model(&self) -> &Model {
        &self.model
    }

    /// A piece is over; the note that the journal is to keep.
    #[must_use]
    pub fn count(&self, count: Count, width: Width) -> String {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        *known = Known { aim_ppm: width.aim_ppm(), count: known.count.and(count) };
        serde_json::json!(*known).to_string()
    }

    /// How projections have turned out on this server.
    #[must_use]
    pub fn told(&self) -> Calibration {
        let Known { aim_ppm, count } = self.known();
        count.told(Width::of(aim_ppm), self.model.name())
    }

    fn known(&self) -> Known {
        *self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
