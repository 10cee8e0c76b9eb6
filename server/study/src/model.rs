//! Projection models as files.

use std::{fs, path::Path};

use thole_piece::projection::{Model, ModelFile};

/// The model of a file; the shipped one when none is named.
///
/// # Errors
/// One sentence: the file cannot be read or is not a model, and what to do.
pub fn named(path: Option<&Path>) -> Result<(ModelFile, Model), String> {
    let Some(path) = path else { return read(Model::shipped_text(), "the shipped model") };
    let called = format!("projection-model: {}", path.display());
    let text =
        fs::read_to_string(path).map_err(|error| format!("{called} cannot be read ({error})."))?;
    read(&text, &called)
}

/// A model from the text of a file with this name.
///
/// # Errors
/// One sentence: what is wrong with it, and what to do.
pub fn read(text: &str, called: &str) -> Result<(ModelFile, Model), String> {
    let file: ModelFile = serde_json::from_str(text).map_err(|error| {
        format!("{called} is not a projection model ({error}): make one with `thole-server fit`.")
    })?;
    let model = Model::of(&file).map_err(|says| format!("{called}: {says}"))?;
    Ok((file, model))
}

/// A model file as text, a line for each of its parts.
///
/// # Errors
/// It cannot be written as JSON, which is a mistake in this program.
pub fn written(file: &ModelFile) -> Result<String, String> {
    let text = serde_json::to_string(file).map_err(|error| format!("{error}."))?;
    // Lines that can be compared, and numbers that stay together.
    Ok(text.replace(",\"", ",\n\"").replace("},{", "},\n{") + "\n")
}
