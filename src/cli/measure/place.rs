//! The state that takes are for: its folder, and the session above it.

use super::super::{Failed, write};
use std::path::{Path, PathBuf};
use stillroom::session::{self, DEFAULT_NAMES, MANIFEST_NAME, Session};

/// Where takes go.
pub struct Place {
    /// The state's folder.
    pub folder: PathBuf,
    /// The session, as far as there is one.
    pub session: Session,
}

impl Place {
    /// Of PATH/STATE, which needn't be there yet.
    pub fn of(path: &Path) -> Result<Self, Failed> {
        let name = path
            .file_name()
            .ok_or_else(|| Failed::usage("name the folder of a state, e.g. cello-room/empty"))?;
        let above = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let manifest = above.join(MANIFEST_NAME);
        if manifest.is_file() {
            let session =
                session::open(&[above.to_owned()], &session::OpenOptions::default().with_or_without_audio())?;
            let named = session.names.as_ref().map(|names| names.text().to_owned());
            if let Some(names) = named.filter(|names| names != DEFAULT_NAMES) {
                return Err(Failed::usage(format!(
                    "{}: names follow `{names}`\n  allowed  `{DEFAULT_NAMES}`, as measure names its takes\n  \
                     do       measure into another session, or record and use respond",
                    write::shown(&manifest)
                )));
            }
            return Ok(Self { folder: path.to_owned(), session });
        }
        Ok(Self { folder: path.to_owned(), session: Session::new(&name.to_string_lossy()) })
    }

    /// Positions that have a take of the source here.
    pub fn measured(&self, source: Option<&str>) -> Vec<String> {
        let files = std::fs::read_dir(&self.folder).into_iter().flatten().flatten();
        files.filter_map(|file| position_of(&file.path(), source)).collect()
    }
}

/// The position that a file is named after, if it is a take of this source.
fn position_of(path: &Path, source: Option<&str>) -> Option<String> {
    let name = path.file_name()?.to_str()?;
    if !session::is_audio_name(path) || name.starts_with('.') {
        return None;
    }
    let stem = path.file_stem()?.to_str()?;
    let stem = stem.split('#').next().unwrap_or(stem);
    let (position, of) = stem.split_once('@').map_or((stem, None), |(position, of)| (position, Some(of)));
    (of.unwrap_or_default() == source.unwrap_or_default()).then(|| position.to_owned())
}
