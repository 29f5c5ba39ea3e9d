//! The demo's folder, from data embedded in the program, so that it runs
//! anywhere.

use std::fs;
use std::path::Path;

use crate::demo::DemoError;

/// The settings file of the demo.
pub(crate) const SETTINGS: &str = "settings.toml";
/// The trial folder of the demo.
pub(crate) const TRIAL: &str = "trial";

macro_rules! embedded {
    ($($name:literal),+ $(,)?) => {
        &[$((
            $name,
            include_str!(concat!("../../demo-data/", $name)),
        )),+]
    };
}

const FILES: &[(&str, &str)] = embedded![
    "settings.toml",
    "trial/trial.csv",
    "trial/places.csv",
    "trial/lots.csv",
    "trial/batches.csv",
    "trial/containers.csv",
    "trial/treatments.csv",
    "trial/stays.csv",
    "trial/checks.csv",
    "trial/mould.csv",
    "trial/closures.csv",
    "trial/boards.csv",
    "trial/other.csv",
];

/// Makes the folder anew. One that an earlier demo made is replaced; any
/// other is left alone.
pub(crate) fn make(out: &Path) -> Result<(), DemoError> {
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| DemoError::File { path, source }
    };
    let empty = match fs::read_dir(out) {
        Ok(mut entries) => entries.next().is_none(),
        Err(_) => true,
    };
    if !empty {
        if !out.join(TRIAL).is_dir() || !out.join(SETTINGS).is_file() {
            return Err(DemoError::FolderTaken { path: out.to_owned() });
        }
        fs::remove_dir_all(out).map_err(failed(out))?;
    }
    for (name, text) in FILES {
        let path = out.join(name);
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(failed(folder))?;
        }
        fs::write(&path, text).map_err(failed(&path))?;
    }
    Ok(())
}
