//! Manual pages and completions for shells, made from the same definitions as `--help`.

use std::{fs, io::Write, path::Path};

use clap::Command;
use clap_complete::Shell;

/// Writes a manual page for the program and one for each of its commands into a folder.
///
/// # Errors
/// The folder cannot be created or written to; says which.
pub fn pages(program: Command, folder: &Path) -> Result<(), String> {
    let unwritten = |error| format!("{} cannot be written ({error}).", folder.display());
    fs::create_dir_all(folder).map_err(unwritten)?;
    clap_mangen::generate_to(program, folder).map_err(unwritten)
}

/// Writes the script with which a shell completes the program's words.
pub fn completions(mut program: Command, shell: Shell, out: &mut dyn Write) {
    let name = program.get_name().to_owned();
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut program, name, &mut script);
    // Whoever reads only the beginning has read enough.
    let _ = out.write_all(&script);
}
