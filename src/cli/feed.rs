//! Raw recordings of periodic noise that grow while the dials are turned: every two seconds what is there becomes a
//! response of the session that `tune --watch` follows.

use super::args::TuneArgs;
use super::respond::{Microphone, microphones, read, record_beside};
use super::{Failed, screen};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use stillroom::output::audio::{SampleForm, write_wav};
use stillroom::recording::Recording;
use stillroom::recovery::{PeriodicResponse, periodic, record_of_noise};
use stillroom::session::is_position_name;

/// Time between two looks at the recording.
const REFRESH: Duration = Duration::from_secs(2);
/// A first estimate takes so many periods.
const FIRST: usize = 8;
/// Name of a setting that nobody noted.
const UNNAMED: &str = "setting-1";

/// A recording that is followed.
pub struct Feed {
    recording: PathBuf,
    reference: usize,
    microphones: Vec<Microphone>,
    dials: Option<PathBuf>,
    session: PathBuf,
    /// The setting that is being averaged, and the frame from which.
    setting: Option<String>,
    from: usize,
    /// Periods in the last response of each microphone.
    averages: Vec<usize>,
    /// Frames at the last look.
    seen: usize,
    next: Instant,
    said: String,
}

impl Feed {
    /// What the arguments ask for; `None` without `--recording`.
    pub fn asked(args: &TuneArgs) -> Result<Option<Self>, Failed> {
        let Some(recording) = &args.recording else { return Ok(None) };
        let reference = args.reference.map_or(2, NonZeroUsize::get);
        let microphones = microphones(args.microphones.as_ref(), Some(reference))?;
        if microphones.len() == 1 && microphones[0].position.is_none() {
            return Err(Failed::usage(
                "--recording: say where the microphone stands, as the baseline names it, e.g. --microphones 1=seat",
            ));
        }
        Ok(Some(Self {
            recording: recording.clone(),
            reference,
            averages: vec![0; microphones.len()],
            microphones,
            dials: args.dials.clone(),
            session: args.path.clone(),
            setting: None,
            from: 0,
            seen: 0,
            next: Instant::now(),
            said: String::new(),
        }))
    }

    /// Looks at the recording if it is time to.
    pub fn step(&mut self) {
        if Instant::now() < self.next {
            return;
        }
        if let Err(text) = self.look()
            && text != self.said
        {
            screen::warning(&text);
            self.said = text;
        }
        self.next = Instant::now() + REFRESH;
    }

    fn look(&mut self) -> Result<(), String> {
        if !self.recording.is_file() {
            return Err(format!("waiting for {}", self.recording.display()));
        }
        let reference = read(&self.recording, self.reference)?;
        let frames = reference.samples.len();
        let setting = self.noted()?;
        if self.setting.as_ref() != Some(&setting) || frames < self.seen {
            // Another setting, or another recording in the place of the first: what came before belongs to neither.
            // A setting is noted once it stands: what was recorded until now may be of the turning.
            self.from = if self.setting.is_none() || frames < self.seen { 0 } else { frames };
            self.averages.fill(0);
            self.setting = Some(setting.clone());
            let folder = self.session.join(&setting);
            std::fs::create_dir_all(&folder).map_err(|error| format!("{}: {error}", folder.display()))?;
        }
        self.seen = frames;
        for k in 0..self.microphones.len() {
            let microphone = read(&self.recording, self.microphones[k].channel)?;
            self.refresh(k, &microphone, &reference, &setting)?;
        }
        Ok(())
    }

    /// The setting as the file of dials says: its last line that isn't empty.
    fn noted(&self) -> Result<String, String> {
        let Some(path) = &self.dials else { return Ok(UNNAMED.to_owned()) };
        let text = std::fs::read_to_string(path).unwrap_or_default();
        let last = text.lines().map(str::trim).rfind(|line| !line.is_empty()).unwrap_or(UNNAMED);
        if is_position_name(last) {
            return Ok(last.to_owned());
        }
        Err(format!(
            "{}: `{last}` can't name a folder\n  allowed  a name without / \\ and :\n  do       write the setting's name as the last line",
            path.display()
        ))
    }

    fn refresh(
        &mut self,
        k: usize,
        microphone: &Recording,
        reference: &Recording,
        setting: &str,
    ) -> Result<(), String> {
        let held = microphone.samples.len().min(reference.samples.len());
        let part = |recording: &Recording| recording.samples[self.from.min(held)..held].to_vec();
        let (played, heard) = (part(reference), part(microphone));
        // Nothing yet: the first periods are still being played.
        let Ok(Some(found)) = periodic(&played, &heard, microphone.rate_hz) else { return Ok(()) };
        if found.averages < FIRST || found.averages <= self.averages[k] {
            return Ok(());
        }
        let position = self.microphones[k].position.as_deref().unwrap_or("seat");
        self.write(&self.session.join(setting).join(format!("{position}.wav")), &found, microphone)?;
        self.averages[k] = found.averages;
        Ok(())
    }

    fn write(&self, path: &Path, found: &PeriodicResponse, microphone: &Recording) -> Result<(), String> {
        let rate_hz = microphone.rate_hz.round() as u32;
        write_wav(path, &found.samples, rate_hz, SampleForm::Float32, true)
            .map_err(|error| error.to_string())?;
        record_beside(path, &self.recording, record_of_noise(found, microphone), true).map(|_| ())
    }
}
