//! The samples of a channel as they are decoded: the first ones are kept, the rest only looked at.

use super::Refusal;

/// Samples kept, and what came after them.
pub(super) struct Kept {
    samples: Vec<f64>,
    most: usize,
    /// Frames decoded in all.
    frames: u64,
    /// Largest magnitude behind the samples kept.
    loudest_after: f64,
    /// Samples that were not kept, a block at a time.
    spare: Vec<f64>,
}

impl Kept {
    /// Keeps at most `most`; `expected`: how many are to come, as far as a header knows.
    pub fn new(most: u64, expected: u64) -> Self {
        let most = usize::try_from(most).unwrap_or(usize::MAX);
        let room = usize::try_from(expected).unwrap_or(most).min(most);
        Self { samples: Vec::with_capacity(room), most, frames: 0, loudest_after: 0.0, spare: Vec::new() }
    }

    /// Frames decoded so far.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// The samples kept so far.
    pub fn samples(&self) -> &[f64] {
        &self.samples
    }

    /// Takes the next samples, which `decode` appends.
    ///
    /// # Errors
    /// What `decode` says, with how far all was well.
    pub fn take(&mut self, decode: impl FnOnce(&mut Vec<f64>) -> Result<(), String>) -> Result<(), Refusal> {
        let full = self.samples.len() >= self.most;
        let (into, before) = if full { (&mut self.spare, 0) } else { (&mut self.samples, self.frames) };
        decode(into).map_err(|reason| Refusal::Damaged { sample: self.frames, reason })?;
        self.frames += into.len() as u64 - before;
        let kept = if full { 0 } else { into.len().min(self.most) };
        // No NaN is larger than anything: it is no sound, and nobody uses it.
        self.loudest_after = into[kept..].iter().fold(self.loudest_after, |most, x| most.max(x.abs()));
        into.truncate(kept);
        Ok(())
    }

    /// The samples, and a note where there were more.
    ///
    /// # Errors
    /// [`Refusal::LoudLater`] if what is kept doesn't hold the loudest sound.
    pub fn finish(self, rate_hz: u32) -> Result<(Vec<f64>, Option<String>), Refusal> {
        let (kept, frames) = (self.samples.len() as u64, self.frames);
        if frames == kept {
            return Ok((self.samples, None));
        }
        if self.samples.iter().all(|x| x.abs() < self.loudest_after) {
            return Err(Refusal::LoudLater { frames, kept });
        }
        let seconds = |frames: u64| frames as f64 / f64::from(rate_hz);
        let note = format!(
            "Of {:.0} s the first {:.0} s were read ({kept} of {frames} frames): no more is kept of a response.",
            seconds(frames),
            seconds(kept)
        );
        Ok((self.samples, Some(note)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(blocks: &[&[f64]]) -> Result<(Vec<f64>, Option<String>), Refusal> {
        let mut kept = Kept::new(4, 100);
        for block in blocks {
            kept.take(|into| {
                into.extend(*block);
                Ok(())
            })?;
        }
        kept.finish(1)
    }

    #[test]
    fn the_first_are_kept_and_the_rest_is_told() {
        assert_eq!(kept(&[&[1.0, 2.0], &[3.0, 4.0]]).unwrap(), (vec![1.0, 2.0, 3.0, 4.0], None));
        let (samples, note) = kept(&[&[1.0, -9.0, 3.0], &[4.0, 5.0], &[6.0]]).unwrap();
        assert_eq!(samples, [1.0, -9.0, 3.0, 4.0]);
        assert!(note.unwrap().starts_with("Of 6 s the first 4 s were read (4 of 6 frames)"));
    }

    #[test]
    fn a_louder_sound_behind_them_is_refused() {
        let refused = kept(&[&[1.0, 2.0, 3.0], &[2.0, -3.5], &[0.0]]).unwrap_err();
        assert_eq!(refused, Refusal::LoudLater { frames: 6, kept: 4 });
        let in_a_later_block = kept(&[&[1.0; 4], &[0.5], &[2.0]]).unwrap_err();
        assert_eq!(in_a_later_block, Refusal::LoudLater { frames: 6, kept: 4 });
    }
}
