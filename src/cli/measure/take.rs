//! One take: played, judged, written with its record.

use super::super::args::MeasureArgs;
use super::super::respond::{record_beside, rests_on};
use super::super::{Failed, interrupt, screen, write};
use super::place::Place;
use std::path::Path;
use stillroom::capture;
use stillroom::excitation::{Description, Sweep};
use stillroom::measure::{Guard, Heard, Inputs, Judged, Limits, Name, Response, SoundDevice, judge};
use stillroom::output::audio::{SampleForm, write_wav};
use stillroom::output::file::{Existing, put};

/// What became of a take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    Keep,
    Again,
    Interrupted,
}

/// A measurement that goes on.
pub struct Live<'a> {
    pub args: &'a MeasureArgs,
    pub device: &'a mut dyn SoundDevice,
    /// The signal, at any level.
    pub sweep: Sweep,
    pub inputs: Inputs,
    pub limits: Limits,
    pub place: Place,
}

impl Live<'_> {
    /// Plays a sweep at a level and judges what was heard.
    pub fn played(&mut self, sweep: &Sweep, level_db: f64) -> Result<(Heard, Judged), Failed> {
        let signal = signal(sweep, level_db)?;
        let mut guard = Guard::new(self.limits, &interrupt::asked);
        let heard = self.device.play_and_record(&signal, &mut guard).map_err(Failed::nothing)?;
        let judged = judge(&heard, &signal, self.device.rate_hz(), self.inputs);
        Ok((heard, judged))
    }

    /// One take at a position.
    pub fn take(&mut self, position: &str, level_db: f64) -> Result<Verdict, Failed> {
        let source = self.args.source.as_deref();
        let Some(name) = Name::next(&self.place.folder, position, source) else {
            return Err(Failed::usage(format!(
                "{position}: no file can be called so\n  allowed  a name without / \\ : @ #, up to 999 takes of it\n  \
                 do       choose another name"
            )));
        };
        let stem = name.path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        screen::line(&format!(
            "  {stem}: plays for {:.0} s at {level_db:.0} dB of full scale.",
            self.sweep.lasts_s()
        ));
        let sweep = self.sweep;
        let (heard, judged) = self.played(&sweep, level_db)?;
        if interrupt::asked() {
            return Ok(Verdict::Interrupted);
        }
        self.keep_recording(&stem, &judged)?;
        if let Some(response) = &judged.response {
            let zero_db_spl = self.zero_db_spl(&heard, level_db);
            self.write(&name, response, (zero_db_spl, &stem))?;
            let late = judged.latency_s.map_or(String::new(), |s| format!(" ({:.1} ms late)", 1e3 * s));
            screen::line(&format!("  {stem}: {}{late}", rests_on(&response.record)));
        }
        let Some((found, advice)) = &judged.again else { return Ok(Verdict::Keep) };
        screen::warning(&format!("{stem}: again, because {found}; {advice}"));
        Ok(Verdict::Again)
    }

    fn write(
        &self,
        name: &Name,
        response: &Response,
        (zero_db_spl, stem): (Option<f64>, &str),
    ) -> Result<(), Failed> {
        std::fs::create_dir_all(&self.place.folder)
            .map_err(|error| Failed::nothing(format!("{}: {error}", write::shown(&self.place.folder))))?;
        let path = &name.path;
        if name.replaces {
            // Its record says nothing of the new one.
            let _ = std::fs::remove_file(capture::path_beside(path));
        }
        write_wav(path, &response.samples, self.device.rate_hz(), SampleForm::Float32, name.replaces)
            .map_err(Failed::nothing)?;
        let mut record = response.record.clone();
        (record.temperature_c, record.note) = (self.args.temperature, self.args.note.clone());
        record.full_scale_db_spl = self.args.full_scale_spl;
        record.zero_db_spl = zero_db_spl;
        record_beside(path, Path::new(&format!("{stem}.wav")), record, true).map_err(Failed::nothing)?;
        Ok(())
    }

    /// Sound pressure level of a steady tone of the signal's rms where the response reads 0 dB: that of what the
    /// recording is divided by, the loopback or the signal.
    fn zero_db_spl(&self, heard: &Heard, level_db: f64) -> Option<f64> {
        let full_scale_db = self.args.full_scale_spl?;
        let rms = match self.inputs.reference.and_then(|channel| heard.channels.get(channel)) {
            Some(looped) => Description::of("", looped, self.sweep.rate_hz).rms,
            None => Description::of("", &signal(&self.sweep, level_db).ok()?, self.sweep.rate_hz).rms,
        };
        Some((10.0 * (full_scale_db + 20.0 * (2.0_f64.sqrt() * rms).log10())).round() / 10.0)
    }

    fn keep_recording(&self, stem: &str, judged: &Judged) -> Result<(), Failed> {
        let Some(folder) = &self.args.recordings else { return Ok(()) };
        std::fs::create_dir_all(folder)
            .map_err(|error| Failed::nothing(format!("{}: {error}", write::shown(folder))))?;
        put(&folder.join(format!("{stem}.wav")), &judged.wav, Existing::Replace).map_err(Failed::nothing)
    }
}

fn signal(sweep: &Sweep, level_db: f64) -> Result<Vec<f64>, Failed> {
    Sweep { peak: 10_f64.powf(level_db / 20.0), ..*sweep }.samples().map_err(Failed::usage)
}
