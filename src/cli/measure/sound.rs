//! The system's sound devices: playing and recording at once.

use super::super::Failed;
use super::super::screen;
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, Data, Device, ErrorKind, I24, Sample, SampleFormat, StreamConfig, SupportedStreamConfigRange,
};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;
use stillroom::measure::{DeviceError, Guard, Heard, SoundDevice};

/// Frames handed over at a time: latency does no harm here, a buffer that runs dry does.
const BUFFER: u32 = 4_096;
/// Sample forms that are understood, the best first.
const FORMS: [SampleFormat; 4] = [SampleFormat::F32, SampleFormat::I32, SampleFormat::I24, SampleFormat::I16];
/// Recorded on after the signal, s: what the way through buffers and converters may take.
const SPARE_S: f64 = 1.0;
/// A device that says nothing for so long is gone.
const SILENT: Duration = Duration::from_secs(5);

/// Which devices, and what of them is needed.
pub struct Wanted<'a> {
    pub input: Option<&'a str>,
    pub output: Option<&'a str>,
    pub rate_hz: u32,
    /// Input channels, at least.
    pub inputs: usize,
    /// Output channel, from 0.
    pub plays: usize,
}

/// A device that plays and one that records, often the same.
pub struct Sound {
    input: (Device, StreamConfig, SampleFormat),
    output: (Device, StreamConfig, SampleFormat),
    plays: usize,
}

/// What the callbacks tell.
enum News {
    Block(Vec<f64>),
    Lost(String),
    Failed(&'static str, String),
}

impl Sound {
    /// Finds the devices and checks that they can do what is wanted.
    pub fn open(wanted: &Wanted<'_>) -> Result<Self, DeviceError> {
        let host = cpal::default_host();
        let inputs = || host.input_devices().map(Iterator::collect).unwrap_or_default();
        let outputs = || host.output_devices().map(Iterator::collect).unwrap_or_default();
        let input = chosen("recording", wanted.input, || host.default_input_device(), inputs)?;
        let output = chosen("playing", wanted.output, || host.default_output_device(), outputs)?;
        let ranges = |found: Result<Vec<SupportedStreamConfigRange>, cpal::Error>, device: &Device| {
            found.map_err(|error| failed(&name(device), &error))
        };
        let recorded = ranges(input.supported_input_configs().map(Iterator::collect), &input)?;
        let played = ranges(output.supported_output_configs().map(Iterator::collect), &output)?;
        let usual =
            |config: Result<cpal::SupportedStreamConfig, cpal::Error>| config.map_or(2, |c| c.channels());
        let for_input = Need {
            channels: wanted.inputs,
            rate_hz: wanted.rate_hz,
            usual: usual(input.default_input_config()),
        };
        let for_output = Need {
            channels: wanted.plays + 1,
            rate_hz: wanted.rate_hz,
            usual: usual(output.default_output_config()),
        };
        let (heard, heard_form) = for_input.fit(&name(&input), "inputs", &recorded)?;
        let (sent, sent_form) = for_output.fit(&name(&output), "outputs", &played)?;
        Ok(Self { input: (input, heard, heard_form), output: (output, sent, sent_form), plays: wanted.plays })
    }

    /// What plays and what records, for the screen.
    pub fn words(&self) -> String {
        let side = |(device, config, form): &(Device, StreamConfig, SampleFormat)| {
            format!("{} ({} channels, {form})", name(device), config.channels)
        };
        format!(
            "Records: {}. Plays: {}. {} Hz.",
            side(&self.input),
            side(&self.output),
            self.input.1.sample_rate
        )
    }
}

/// What a device must offer.
struct Need {
    channels: usize,
    rate_hz: u32,
    /// Channels that it has unless told otherwise.
    usual: u16,
}

impl Need {
    fn fit(
        &self,
        device: &str,
        side: &str,
        offered: &[SupportedStreamConfigRange],
    ) -> Result<(StreamConfig, SampleFormat), DeviceError> {
        let at_rate: Vec<_> = offered.iter().filter(|range| range.contains_rate(self.rate_hz)).collect();
        if at_rate.is_empty() {
            let found = format!("doesn't run at {} Hz", self.rate_hz);
            return Err(DeviceError::new(
                device,
                &found,
                &rates(offered),
                "choose one of these rates (--rate)",
            ));
        }
        let enough = |range: &&&SupportedStreamConfigRange| usize::from(range.channels()) >= self.channels;
        let fitting: Vec<_> = at_rate.iter().filter(enough).collect();
        let Some(channels) =
            fitting.iter().map(|range| range.channels()).min_by_key(|n| (*n != self.usual, *n))
        else {
            let most = at_rate.iter().map(|range| range.channels()).max().unwrap_or(0);
            let found = format!("{} {side} asked for", self.channels);
            let allowed = format!("channels 1 to {most}");
            return Err(DeviceError::new(device, &found, &allowed, "name a channel that is there"));
        };
        let forms =
            fitting.iter().filter(|range| range.channels() == channels).map(|range| range.sample_format());
        let offered: Vec<SampleFormat> = forms.collect();
        let Some(form) = FORMS.into_iter().find(|form| offered.contains(form)) else {
            let allowed = "32-bit float or 16, 24, 32-bit integer samples";
            return Err(DeviceError::new(
                device,
                "samples of another form",
                allowed,
                "choose another device",
            ));
        };
        let whole =
            fitting.iter().find(|range| range.channels() == channels && range.sample_format() == form);
        let holds = whole.is_some_and(|range| match range.buffer_size() {
            cpal::SupportedBufferSize::Range { min, max } => (*min..=*max).contains(&(2 * BUFFER)),
            cpal::SupportedBufferSize::Unknown => false,
        });
        let buffer_size = if holds { BufferSize::Fixed(BUFFER) } else { BufferSize::Default };
        Ok((StreamConfig { channels, sample_rate: self.rate_hz, buffer_size }, form))
    }
}

fn rates(offered: &[SupportedStreamConfigRange]) -> String {
    const USUAL: [u32; 9] = [8_000, 16_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
    let can = |rate: &u32| offered.iter().any(|range| range.contains_rate(*rate));
    let found: Vec<String> = USUAL.iter().filter(|rate| can(rate)).map(u32::to_string).collect();
    if found.is_empty() { "no usual rate".to_owned() } else { format!("{} Hz", found.join(", ")) }
}

fn name(device: &Device) -> String {
    device.id().map_or_else(|_| device.to_string(), |id| id.id().to_owned())
}

fn failed(device: &str, error: &cpal::Error) -> DeviceError {
    let advice = "check that it is plugged in and that no other program holds it";
    DeviceError::new(device, &error.to_string(), "a device that can be opened", advice)
}

/// The device of that name, in whole or in part; or the system's.
fn chosen(
    what: &str,
    asked: Option<&str>,
    usual: impl Fn() -> Option<Device>,
    all: impl Fn() -> Vec<Device>,
) -> Result<Device, DeviceError> {
    let advice = "see what there is with --list";
    let Some(asked) = asked else {
        return usual()
            .ok_or_else(|| DeviceError::new(what, "the system has no device for it", "one device", advice));
    };
    let mut devices = all();
    if let Some(exact) = devices.iter().position(|device| name(device) == asked) {
        return Ok(devices.swap_remove(exact));
    }
    let part = asked.to_lowercase();
    let described = |device: &Device| format!("{} {device}", name(device)).to_lowercase();
    devices.retain(|device| described(device).contains(&part));
    match devices.len() {
        1 => Ok(devices.remove(0)),
        0 => Err(DeviceError::new(
            asked,
            &format!("no such device for {what}"),
            "a device of the list",
            advice,
        )),
        n => Err(DeviceError::new(asked, &format!("{n} devices for {what} match"), "one", advice)),
    }
}

/// Prints the devices.
pub fn list() -> Result<(), Failed> {
    let host = cpal::default_host();
    let devices = host.devices().map_err(Failed::nothing)?;
    let mut rows = Vec::new();
    for device in devices {
        let inputs: Vec<_> = device.supported_input_configs().map(Iterator::collect).unwrap_or_default();
        let outputs: Vec<_> = device.supported_output_configs().map(Iterator::collect).unwrap_or_default();
        let most =
            |ranges: &[SupportedStreamConfigRange]| ranges.iter().map(|r| r.channels()).max().unwrap_or(0);
        let both: Vec<_> = inputs.iter().chain(&outputs).copied().collect();
        if !both.is_empty() {
            rows.push(vec![
                name(&device),
                most(&inputs).to_string(),
                most(&outputs).to_string(),
                rates(&both),
            ]);
        }
    }
    if rows.is_empty() {
        return Err(Failed::nothing(DeviceError::new("sound", "no device", "one", "plug one in")));
    }
    screen::table(&["device", "inputs", "outputs", "rates"], &rows);
    Ok(())
}

impl SoundDevice for Sound {
    fn rate_hz(&self) -> u32 {
        self.input.1.sample_rate
    }

    fn play_and_record(&mut self, signal: &[f64], guard: &mut Guard<'_>) -> Result<Heard, DeviceError> {
        let (tell, news) = channel();
        let heard = Arc::new(AtomicUsize::new(0));
        let began = Arc::new(AtomicUsize::new(usize::MAX));
        let recording = self.record(&tell, &heard)?;
        recording.play().map_err(|error| failed(&name(&self.input.0), &error))?;
        let mut taken =
            Taken::new(usize::from(self.input.1.channels), self.rate_hz(), (signal.len(), &began));
        // It plays only once something comes in: else the start would be lost.
        taken.until(&news, guard, |taken| taken.frames() > 0)?;
        let playing = self.play(signal, &tell, (&heard, &began))?;
        playing.play().map_err(|error| failed(&name(&self.output.0), &error))?;
        taken.until(&news, guard, Taken::is_whole)?;
        drop((playing, recording));
        Ok(taken.ended())
    }
}

impl Sound {
    fn record(&self, tell: &Sender<News>, heard: &Arc<AtomicUsize>) -> Result<cpal::Stream, DeviceError> {
        let (device, config, form) = &self.input;
        let (to, heard, channels) = (tell.clone(), heard.clone(), usize::from(config.channels));
        let block = move |data: &Data, _: &cpal::InputCallbackInfo| {
            let samples = numbers(data);
            heard.fetch_add(samples.len() / channels, Ordering::SeqCst);
            // Nobody listens any more: the take is over.
            let _ = to.send(News::Block(samples));
        };
        device
            .build_input_stream_raw(*config, *form, block, told(tell.clone(), "recording"), Some(SILENT))
            .map_err(|error| failed(&name(device), &error))
    }

    fn play(
        &self,
        signal: &[f64],
        tell: &Sender<News>,
        (heard, began): (&Arc<AtomicUsize>, &Arc<AtomicUsize>),
    ) -> Result<cpal::Stream, DeviceError> {
        let (device, config, form) = &self.output;
        let (heard, began) = (heard.clone(), began.clone());
        let (signal, channels, plays) = (signal.to_vec(), usize::from(config.channels), self.plays);
        let mut next = 0;
        let fill = move |data: &mut Data, _: &cpal::OutputCallbackInfo| {
            if next == 0 {
                began.store(heard.load(Ordering::SeqCst), Ordering::SeqCst);
            }
            let frames = data.len() / channels;
            let part = &signal[next.min(signal.len())..(next + frames).min(signal.len())];
            fill(data, part, (channels, plays));
            next += frames;
        };
        device
            .build_output_stream_raw(*config, *form, fill, told(tell.clone(), "playing"), Some(SILENT))
            .map_err(|error| failed(&name(device), &error))
    }
}

/// What a stream says of itself.
fn told(to: Sender<News>, side: &'static str) -> impl FnMut(cpal::Error) + Send + 'static {
    move |error| {
        let news = match error.kind() {
            ErrorKind::Xrun | ErrorKind::DeviceChanged => {
                News::Lost(format!("the sound system lost samples while {side}"))
            }
            // The stream goes on, with what nobody knows.
            ErrorKind::BackendError | ErrorKind::Other => News::Lost(format!("{side}: {error}")),
            ErrorKind::RealtimeDenied => return,
            _ => News::Failed(side, error.to_string()),
        };
        let _ = to.send(news);
    }
}

fn numbers(data: &Data) -> Vec<f64> {
    fn of<T: cpal::SizedSample>(data: &Data) -> Vec<f64>
    where
        f64: cpal::FromSample<T>,
    {
        data.as_slice::<T>().unwrap_or_default().iter().map(|sample| f64::from_sample(*sample)).collect()
    }
    match data.sample_format() {
        SampleFormat::F32 => of::<f32>(data),
        SampleFormat::I32 => of::<i32>(data),
        SampleFormat::I24 => of::<I24>(data),
        _ => of::<i16>(data),
    }
}

/// Puts the part on its channel; the others, and what is beyond the part, stay silent.
fn fill(data: &mut Data, part: &[f64], place: (usize, usize)) {
    fn to<T: cpal::SizedSample + cpal::FromSample<f64>>(
        data: &mut Data,
        part: &[f64],
        (channels, plays): (usize, usize),
    ) {
        let frames = data.as_slice_mut::<T>().unwrap_or_default().chunks_mut(channels);
        for (n, frame) in frames.enumerate() {
            frame.fill(T::EQUILIBRIUM);
            if let (Some(sample), Some(value)) = (frame.get_mut(plays), part.get(n)) {
                *sample = T::from_sample(*value);
            }
        }
    }
    match data.sample_format() {
        SampleFormat::F32 => to::<f32>(data, part, place),
        SampleFormat::I32 => to::<i32>(data, part, place),
        SampleFormat::I24 => to::<I24>(data, part, place),
        _ => to::<i16>(data, part, place),
    }
}

/// What came in so far.
struct Taken<'a> {
    heard: Heard,
    rate_hz: u32,
    length: usize,
    began: &'a AtomicUsize,
    lost: BTreeSet<String>,
}

impl<'a> Taken<'a> {
    fn new(inputs: usize, rate_hz: u32, (length, began): (usize, &'a AtomicUsize)) -> Self {
        let mut heard = Heard::default();
        heard.channels = vec![Vec::new(); inputs];
        Self { heard, rate_hz, length, began, lost: BTreeSet::new() }
    }

    fn frames(&self) -> usize {
        self.heard.channels.first().map_or(0, Vec::len)
    }

    /// Frames since the signal began.
    fn since(&self) -> Option<usize> {
        self.frames().checked_sub(self.began.load(Ordering::SeqCst))
    }

    fn is_whole(&self) -> bool {
        let spare = (SPARE_S * f64::from(self.rate_hz)) as usize;
        self.since().is_some_and(|frames| frames >= self.length + spare)
    }

    /// Takes what comes until that is enough, or the guard stops it.
    fn until(
        &mut self,
        news: &Receiver<News>,
        guard: &mut Guard<'_>,
        enough: impl Fn(&Self) -> bool,
    ) -> Result<(), DeviceError> {
        while self.heard.stopped.is_none() && !enough(self) {
            match news.recv_timeout(SILENT) {
                Ok(News::Block(samples)) => self.take(&samples, guard),
                // Before the signal plays nothing of it can be lost.
                Ok(News::Lost(what)) if self.since().is_some() => {
                    let at_s = self.frames() as f64 / f64::from(self.rate_hz);
                    self.lost.insert(format!("{what} at {at_s:.1} s"));
                }
                Ok(News::Lost(_)) => {}
                Ok(News::Failed(side, text)) => {
                    let advice = "check the plugs, and start again";
                    return Err(DeviceError::new(side, &text, "a device that runs on", advice));
                }
                Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {
                    let advice = "check that no other program holds it, and its rate";
                    return Err(DeviceError::new("recording", "nothing comes in", "samples", advice));
                }
            }
        }
        Ok(())
    }

    fn take(&mut self, samples: &[f64], guard: &mut Guard<'_>) {
        let inputs = self.heard.channels.len();
        let from = self.frames();
        for frame in samples.chunks_exact(inputs) {
            self.heard.channels.iter_mut().zip(frame).for_each(|(channel, sample)| channel.push(*sample));
        }
        let new: Vec<&[f64]> = self.heard.channels.iter().map(|channel| &channel[from..]).collect();
        self.heard.stopped = guard.hears(&new);
    }

    fn ended(mut self) -> Heard {
        self.heard.began = self.began.load(Ordering::SeqCst).min(self.frames());
        self.heard.lost = self.lost.into_iter().collect();
        self.heard
    }
}
