//! What the user typed: every option once, with its default, and the help that prints it.

mod live;
mod planning;
mod signals;

pub use live::MeasureArgs;
pub use planning::{DesignArgs, PanelEdges, PredictArgs};
pub use signals::{ExciteArgs, MOST_REPEATS, NoiseColour, RespondArgs};

use clap::{Args, Parser, Subcommand, ValueEnum, ValueHint};
use std::num::NonZeroUsize;
use std::path::PathBuf;
use stillroom::recording::{MAX_RATE_HZ, MIN_RATE_HZ};
use stillroom::session::Channels;

/// How long a small room's resonances ring: from impulse responses to an objective before/after.
#[derive(Debug, Parser)]
#[command(name = "stillroom", version, propagate_version = true, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write an invented session whose true values are known, analyse and compare it
    #[command(after_help = "Example:\n  stillroom demo /tmp/demo\n\
        Then open /tmp/demo-results/report.html, and compare it with /tmp/demo/truth.json.")]
    Demo(DemoArgs),
    /// Decay, level and resonances of every state of a session
    #[command(after_help = "Examples:\n  stillroom analyze cello-room\n  \
        stillroom analyze seat.wav corner.wav --bands octave\n  \
        stillroom analyze takes --names '{state}_{position}_{take}' --out results\n  \
        stillroom analyze cello-room --responses cello-room-sofa\n\n\
        A session is a folder; its sub-folders are states of the room, the files in them takes named\n\
        POSITION[@SOURCE][#TAKE], e.g. seat@left#2.wav.\n\n\
        Exit status: 0 done, 1 nothing could be done, 2 wrong usage or manifest, 3 done but an input\n\
        failed (named on stderr and in results.json), 130 interrupted.")]
    Analyze(AnalyzeArgs),
    /// What became of each mode between a baseline and other states
    #[command(after_help = "Examples:\n  stillroom compare cello-room --before empty --after treated\n  \
        stillroom compare off.wav on.wav\n  stillroom compare cello-room --target-t60 0.5\n\n\
        The baseline is never guessed: session.toml names it, --before does, or the first of several paths is it.")]
    Compare(CompareArgs),
    /// What a tuned absorber does to one mode now, the best setting so far, and what to change next
    #[command(after_help = "Examples:\n  stillroom tune cello-room --mode 41.3\n  \
        stillroom tune cello-room --before empty --mode 41.3 --watch\n\n\
        States are settings of the unit: measure the same positions in each. session.toml may name the unit,\n\
        its place and its dials. --watch follows the folder until Ctrl-C.")]
    Tune(TuneArgs),
    /// Before packing up: what each file is, what is missing or wrong, and whether it is enough
    #[command(after_help = "Example:\n  stillroom check cello-room --write\n\n\
        Reads every file and fits the modes (--no-modes: bands only, in seconds). --write drafts a session.toml.")]
    Check(CheckArgs),
    /// Modes of the room (box or plan), where each is strongest and weakest, and where to measure
    #[command(after_help = "Examples:\n  stillroom predict --dims 5.6x4.25x2.75\n  \
        stillroom predict --dims '18ft4in x 14ft x 9ft' --to 120 --temperature 18")]
    Predict(PredictArgs),
    /// What to build for one mode and where, or what a given unit will do
    #[command(
        after_help = "Examples:\n  stillroom design --dims 5.6x4.25x2.75 --mode 30.6 --t60 1.9 --target-t60 0.8\n  \
        stillroom design cello-room --before empty --mode 41.3 --target-t60 0.6\n  \
        stillroom design --dims 6.01x3.98x2.7 --mode 28.55 --t60 2.0 --unit mass=14.8,hz=29.66,decay=30.16 \\\n      \
        --from 0,1.2,0 --to 0,2.19,0.91\n\n\
        --unit: mass in kg/m2, hz (in a vacuum), decay in 1/s; depth in m where a sealed space is the spring;\n\
        volume in m3, opening in m2 and neck in m for a vented box; area in m2 where --from and --to are left out.\n\n\
        Heavy or overhead units, mains and fire rating are for licensed practice and local codes."
    )]
    Design(DesignArgs),
    /// Write a test signal: an exponential sweep, or periodic noise
    #[command(after_help = "Examples:\n  stillroom excite\n  \
        stillroom excite --from 15 --to 500 --seconds 30 --out low.wav\n  \
        stillroom excite --noise pink --rate 44100\n\n\
        Start quietly. Sweeps and low tones can damage hearing and loudspeakers; low tones are felt less\n\
        loud than they are.")]
    Excite(ExciteArgs),
    /// Turn recordings of a test signal into impulse responses
    #[command(
        after_help = "Examples:\n  stillroom respond raw/*.wav --signal sweep.wav --out room/empty\n  \
        stillroom respond raw/*.wav --reference 2 --out room/empty\n  \
        stillroom respond noise.wav --reference 2 --noise\n  \
        stillroom respond visit.wav --channel 1=seat,2=corner --reference 8 --signal sweep.wav\n\n\
        --signal: the file that was played. --reference: the channel of each recording that holds the\n\
        signal as it left the output; then all responses share the instant of emission. Both: the clocks\n\
        of player and recorder are compared and put right. What was learnt of each take lies beside its\n\
        response as NAME.capture.json; a take named \"again\" is not analysed. A recorded balloon or clap\n\
        is a response already: put it into the session as it is."
    )]
    Respond(RespondArgs),
    /// Play the signal, record it, and say at once whether to keep the take
    #[command(
        about = MEASURE,
        after_help = "Examples:\n  stillroom measure --list\n  stillroom measure cello-room/empty --reference 2\n  \
        stillroom measure cello-room/empty --position seat --level -22 --yes\n\n\
        Start quietly. Sweeps and low tones can damage hearing and loudspeakers; low tones are felt less\n\
        loud than they are. The level rises from -40 dB of full scale in steps of 6 dB, each confirmed.\n\
        Clipping, Ctrl-C and the limits that you set stop the sound.\n\n\
        Exit status: 0 all takes kept, 1 nothing to keep, 2 wrong usage, 3 a take is to be repeated,\n\
        130 interrupted."
    )]
    Measure(MeasureArgs),
    /// Put the results of many sessions into one set of tables
    #[command(after_help = "Examples:\n  stillroom gather jobs/*-results --out all\n  \
        stillroom gather results --out all --sessions sessions\n  stillroom gather results --catalogue\n  \
        stillroom gather results --out all --tables parquet\n\n\
        RESULTS are folders that analyze or compare wrote, or folders that hold them. Each table gets a column\n\
        `session` first. Results that are cut short, missing or there twice are named and left out (exit status 3);\n\
        results of another schema are refused (2).")]
    Gather(GatherArgs),
    /// Print the completions of a shell
    #[command(
        after_help = "Example:\n  stillroom completions bash > ~/.local/share/bash-completion/completions/stillroom"
    )]
    Completions(CompletionsArgs),
    /// Write a manual page for each command
    #[command(after_help = "Example:\n  stillroom manual man1 && man ./man1/stillroom-compare.1")]
    Manual(ManualArgs),
}

/// What `measure` does, in the list of commands and in its help.
const MEASURE: &str = if cfg!(feature = "live") {
    "Play the signal, record it, and say at once whether to keep the take"
} else {
    "Play the signal, record it, and say at once whether to keep the take (needs a build with the feature live)"
};

/// `stillroom completions`.
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// Which shell
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// `stillroom gather`.
#[derive(Debug, Args)]
pub struct GatherArgs {
    /// Results folders, or folders that hold them
    #[arg(required = true, value_hint = ValueHint::DirPath)]
    pub results: Vec<PathBuf>,
    /// Folder for the tables of all sessions
    #[arg(long, value_name = "DIR", required_unless_present = "catalogue", value_hint = ValueHint::DirPath)]
    pub out: Option<PathBuf>,
    /// Print one line a room: volume, T20 of the middle bands, modes, the worst mode, verdicts
    #[arg(long)]
    pub catalogue: bool,
    /// Folder with a sub-folder for each session, to name those that have no results
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub sessions: Option<PathBuf>,
    /// Files of the tables: CSV, or Parquet beside CSV
    #[arg(long, value_enum, default_value_t = TableFiles::Csv)]
    pub tables: TableFiles,
    /// Form of the catalogue on standard output
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
    /// Write even into a folder that something else made
    #[arg(long)]
    pub force: bool,
    /// No summary; errors only
    #[arg(long)]
    pub quiet: bool,
}

/// `stillroom manual`.
#[derive(Debug, Args)]
pub struct ManualArgs {
    /// Folder for the pages
    #[arg(default_value = "stillroom-manual", value_hint = ValueHint::DirPath)]
    pub folder: PathBuf,
}

/// What the tolerance mask is centred on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum MaskMean {
    /// Each state's own mean over 200 Hz to 4 kHz
    Own,
    /// 0.25 s times the cube root of the volume over 100 m³
    Nominal,
}

/// What every command has that goes from a folder to results.
#[derive(Debug, Args)]
pub struct JobArgs {
    /// How to read the folder.
    #[command(flatten)]
    pub reading: ReadingArgs,
    /// What to compute.
    #[command(flatten)]
    pub computing: ComputingArgs,
    /// Where results go.
    #[command(flatten)]
    pub output: OutputArgs,
    /// How to run.
    #[command(flatten)]
    pub run: RunArgs,
}

/// `stillroom compare`.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// A session folder; or the baseline and what came after, as folders or single audio files
    #[arg(required = true, value_hint = ValueHint::AnyPath)]
    pub paths: Vec<PathBuf>,
    /// State that the others are compared with
    #[arg(long, value_name = "STATE")]
    pub before: Option<String>,
    /// State to compare with it; may be given several times [default: all others]
    #[arg(long, value_name = "STATE")]
    pub after: Vec<String>,
    /// Compare the decay times of bands and modes with a longest one allowed, s
    #[arg(long, value_name = "S", conflicts_with = "target_mask", value_parser = time, allow_negative_numbers = true)]
    pub target_t60: Option<f64>,
    /// Compare bands with the tolerance mask of ITU-R BS.1116-3, around each state's own mean or (=nominal) around the
    /// nominal time of the room's volume
    #[arg(long, value_name = "MEAN", value_enum, num_args = 0..=1, require_equals = true, default_missing_value = "own")]
    pub target_mask: Option<MaskMean>,
    /// From the folder to the results.
    #[command(flatten)]
    pub job: JobArgs,
}

/// `stillroom tune`.
#[derive(Debug, Args)]
pub struct TuneArgs {
    /// A session folder
    #[arg(required = true, value_hint = ValueHint::DirPath)]
    pub path: PathBuf,
    /// Frequency of the mode to treat, Hz, as the baseline shows it
    #[arg(long, value_name = "HZ", value_parser = mode_frequency)]
    pub mode: f64,
    /// State without the unit
    #[arg(long, value_name = "STATE")]
    pub before: Option<String>,
    /// Say how many such units would bring the mode to this T60, s
    #[arg(long, value_name = "S", value_parser = time, allow_negative_numbers = true)]
    pub target_t60: Option<f64>,
    /// Follow the folder and say what each new take shows, until Ctrl-C
    #[arg(long)]
    pub watch: bool,
    /// With --watch: a recording of periodic noise that may still grow; each setting becomes a state of PATH
    #[arg(long, value_name = "FILE", requires = "watch", value_hint = ValueHint::FilePath)]
    pub recording: Option<PathBuf>,
    /// Channel of that recording that holds the signal [default: 2]
    #[arg(long, value_name = "N", requires = "recording")]
    pub reference: Option<NonZeroUsize>,
    /// Channels of that recording that hold microphones, each with its position in the baseline
    #[arg(long, value_name = "N=POSITION,...", requires = "recording", value_parser = Channels::parse)]
    pub microphones: Option<Channels>,
    /// Text file whose last line names the setting; another name starts a new average
    #[arg(long, value_name = "FILE", requires = "recording", value_hint = ValueHint::FilePath)]
    pub dials: Option<PathBuf>,
    /// With --watch: keep a page of three large lines in this file; a browser reloads it by itself
    #[arg(long, value_name = "FILE", requires = "watch", value_hint = ValueHint::FilePath)]
    pub page: Option<PathBuf>,
    /// From the folder to the results.
    #[command(flatten)]
    pub job: JobArgs,
}

/// `stillroom check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// A session folder, folders that are states, or single audio files
    #[arg(required = true, value_hint = ValueHint::AnyPath)]
    pub paths: Vec<PathBuf>,
    /// Draft a session.toml in the session's folder (never replaces one)
    #[arg(long)]
    pub write: bool,
    /// Highest frequency up to which every predicted mode should be seen, Hz (needs the room's lengths)
    #[arg(long, value_name = "HZ", default_value_t = 120.0, value_parser = mode_frequency, allow_negative_numbers = true)]
    pub modes_to: f64,
    /// Fit no modes: seconds instead of up to a minute, and no word on how small a change of theirs will show
    #[arg(long)]
    pub no_modes: bool,
    /// How to read the folder.
    #[command(flatten)]
    pub reading: ReadingArgs,
    /// How to run.
    #[command(flatten)]
    pub run: RunArgs,
}

/// `stillroom demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder to write the session into
    #[arg(default_value = "stillroom-demo", value_hint = ValueHint::DirPath)]
    pub folder: PathBuf,
    /// Folder for the report's pictures as SVG and PNG files [default: none are written]
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub figures: Option<PathBuf>,
    /// How to run.
    #[command(flatten)]
    pub run: RunArgs,
}

/// `stillroom analyze`.
#[derive(Debug, Args)]
pub struct AnalyzeArgs {
    /// A session folder, folders that are states, or single audio files
    #[arg(required = true, value_hint = ValueHint::AnyPath)]
    pub paths: Vec<PathBuf>,
    /// Folder for the responses, averaged and time-aligned: a SOFA file (AES69) a state [default: none is written;
    /// builds with the feature `sofa`]
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub responses: Option<PathBuf>,
    /// From the folder to the results.
    #[command(flatten)]
    pub job: JobArgs,
}

/// How files and folders are read.
#[derive(Debug, Args, Clone, Default)]
#[command(next_help_heading = "Reading the folder")]
pub struct ReadingArgs {
    /// How file names are built, with {state}, {position}, {source}, {take} and *
    #[arg(long, value_name = "PATTERN")]
    pub names: Option<String>,
    /// Take every file as a state of its own
    #[arg(long)]
    pub each: bool,
    /// Channel that holds the microphone, counted from 1; of several, each with its position: 1=seat,2=corner
    #[arg(long, value_name = "N[=POSITION],...", value_parser = Channels::parse)]
    pub channel: Option<Channels>,
    /// Sample rate of files that state none (npy), Hz
    #[arg(long, value_name = "HZ", value_parser = file_rate)]
    pub rate: Option<u32>,
}

/// What is computed.
#[derive(Debug, Args, Clone)]
#[command(next_help_heading = "Computing")]
pub struct ComputingArgs {
    /// Width of the bands
    #[arg(long, value_enum, default_value_t = Bands::Third)]
    pub bands: Bands,
    /// Lowest frequency of the mode tables, Hz (5 to 300)
    #[arg(long, value_name = "HZ", default_value_t = 15.0, value_parser = mode_frequency, allow_negative_numbers = true)]
    pub modes_from: f64,
    /// Highest frequency of the mode tables, Hz (5 to 300)
    #[arg(long, value_name = "HZ", default_value_t = 200.0, value_parser = mode_frequency, allow_negative_numbers = true)]
    pub modes_to: f64,
    /// Leave the modes out: their tables hold only the header
    #[arg(long)]
    pub no_modes: bool,
}

/// Width of the bands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Bands {
    /// Octaves
    Octave,
    /// One-third octaves
    Third,
}

/// Where results go.
#[derive(Debug, Args, Clone)]
#[command(next_help_heading = "Output")]
pub struct OutputArgs {
    /// Folder for the tables [default: NAME-results beside the session]
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub out: Option<PathBuf>,
    /// Write even into a folder that something else made
    #[arg(long)]
    pub force: bool,
    /// Files of the tables: CSV, or Parquet beside CSV
    #[arg(long, value_enum, default_value_t = TableFiles::Csv)]
    pub tables: TableFiles,
    /// Folder for the report's pictures as SVG and PNG files [default: none are written]
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub figures: Option<PathBuf>,
    /// What to print on standard output: a summary, the main table as CSV, or everything as JSON
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
}

/// Files that tables are written to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum TableFiles {
    /// CSV files
    Csv,
    /// Apache Parquet beside the CSV files: typed, with units (builds with the feature `parquet`)
    Parquet,
}

/// Form of standard output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// A summary to read
    Table,
    /// The command's main table as in its CSV file: modes.csv (analyze), changes.csv (compare)
    Csv,
    /// What results.json holds
    Json,
}

/// How the program runs.
#[derive(Debug, Args, Clone, Default)]
#[command(next_help_heading = "Running")]
pub struct RunArgs {
    /// Threads to use [default: one a core]; results are the same with any number
    #[arg(long, value_name = "N", value_parser = threads)]
    pub jobs: Option<NonZeroUsize>,
    /// No summary and no progress; errors only
    #[arg(long)]
    pub quiet: bool,
}

/// Threads: one or more.
fn threads(text: &str) -> Result<NonZeroUsize, String> {
    text.parse().map_err(|_| "allowed are whole numbers from 1 up".to_owned())
}

/// A number of the unit that the option's help names; whether it lies in range is the command's to say.
fn number(text: &str, unit: &str) -> Result<f64, String> {
    text.trim()
        .parse()
        .map_err(|_| format!("a number in {unit}, with a point for decimals and without its unit"))
}

/// A sample rate; whether it lies in range is the command's to say.
fn rate(text: &str) -> Result<u32, String> {
    text.trim().parse().map_err(|_| "a whole number in hertz, without its unit: 48000".to_owned())
}

/// The rate of a file that states none.
fn file_rate(text: &str) -> Result<u32, String> {
    let allowed = MIN_RATE_HZ..=MAX_RATE_HZ;
    let outside = || format!("must lie between {MIN_RATE_HZ} and {MAX_RATE_HZ} Hz");
    rate(text).and_then(|hz| if allowed.contains(&hz) { Ok(hz) } else { Err(outside()) })
}

fn hertz(text: &str) -> Result<f64, String> {
    number(text, "hertz")
}

fn seconds(text: &str) -> Result<f64, String> {
    number(text, "seconds")
}

fn decibels(text: &str) -> Result<f64, String> {
    number(text, "decibels")
}

fn celsius(text: &str) -> Result<f64, String> {
    number(text, "degrees Celsius")
}

fn percent(text: &str) -> Result<f64, String> {
    number(text, "per cent")
}

fn mode_frequency(text: &str) -> Result<f64, String> {
    let hertz: f64 = text.parse().map_err(|_| "a number in hertz, with a point for decimals".to_owned())?;
    if (5.0..=300.0).contains(&hertz) { Ok(hertz) } else { Err("must lie between 5 and 300 Hz".to_owned()) }
}

fn time(text: &str) -> Result<f64, String> {
    let seconds: f64 =
        text.parse().map_err(|_| "a number in seconds, with a point for decimals".to_owned())?;
    if seconds.is_finite() && seconds > 0.0 { Ok(seconds) } else { Err("must be above 0 s".to_owned()) }
}
