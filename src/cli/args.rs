//! What can be typed after `nosebar`.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args as ClapArgs, Parser, Subcommand};

use crate::job::Rights;

/// Runs filament printers with a conveyor-belt bed as production lines.
#[derive(Debug, Parser)]
#[command(version, about, long_about = None)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the lines of a config until told to stop.
    Serve(ServeArgs),
    /// Write a commented config that works unedited with the simulated printer.
    Init(InitArgs),
    /// Run the demo jobs on a simulated line; needs nothing.
    Demo(DemoArgs),
    /// Survey a sliced file and print what was found.
    Inspect(InspectArgs),
    /// Write queue, history and sliced files into one file, also while the daemon runs.
    Backup(BackupArgs),
    /// Go through a line's commissioning step by step, or do one of its sums alone.
    Commission(CommissionArgs),
    /// Make one file of a job, its wait for cooling and its eject moves, for a printer that is fed from its card.
    Compose(ComposeArgs),
    /// List, make or revoke the keys of other devices, while no daemon runs; with one, they are on its page under /keys.
    Key(KeyArgs),
    /// Offer a simulated printer on a pseudo-terminal or a TCP port.
    Simulate(SimulateArgs),
}

/// Arguments of `serve`.
#[derive(Debug, ClapArgs)]
pub struct ServeArgs {
    /// The config file.
    #[arg(long, value_name = "F")]
    pub config: PathBuf,
    /// Listen here instead of where the config says.
    #[arg(long, value_name = "ADDR")]
    pub listen: Option<SocketAddr>,
}

/// Arguments of `init`.
#[derive(Debug, ClapArgs)]
pub struct InitArgs {
    /// The folder to set up.
    #[arg(default_value = ".")]
    pub dir: PathBuf,
}

/// Arguments of `demo`.
#[derive(Debug, ClapArgs)]
pub struct DemoArgs {
    /// How many times faster than real time the simulated line runs, at most.
    #[arg(long, default_value_t = 60.0, value_name = "N")]
    pub speed: f64,
    /// Where the page listens.
    #[arg(long, default_value = "127.0.0.1:8017", value_name = "ADDR")]
    pub listen: SocketAddr,
    /// Use this folder, and keep it, instead of a temporary one.
    #[arg(long, value_name = "D")]
    pub dir: Option<PathBuf>,
    /// End when the queue is done, with a summary as the last line.
    #[arg(long)]
    pub until_done: bool,
}

/// Arguments of `commission`.
#[derive(Debug, ClapArgs)]
#[command(args_conflicts_with_subcommands = true)]
pub struct CommissionArgs {
    /// The config file; what is found goes into it, with a yes.
    #[arg(long, value_name = "F", default_value = "nosebar.toml")]
    pub config: PathBuf,
    /// The line; may be left out where there is one only.
    #[arg(value_name = "LINE")]
    pub line: Option<String>,
    /// One sum alone: no machine and no config is touched.
    #[command(subcommand)]
    pub sum: Option<CommissionSum>,
}

/// The sums of commissioning.
#[derive(Debug, Subcommand)]
pub enum CommissionSum {
    /// Motor steps for a millimetre of belt, and the printer units that they are.
    Ratio(RatioArgs),
    /// A value that has been measured wrong: new = old × commanded / measured.
    Measure(MeasureArgs),
    /// The length of a belt around two rollers.
    Loop(LoopArgs),
}

/// Arguments of `commission ratio`.
#[derive(Debug, ClapArgs)]
pub struct RatioArgs {
    /// Motor steps in a turn.
    #[arg(long, default_value_t = 200.0, value_name = "N")]
    pub steps: f64,
    /// Microsteps in a step.
    #[arg(long, default_value_t = 16.0, value_name = "N")]
    pub microsteps: f64,
    /// Teeth of the motor's pulley.
    #[arg(long, default_value_t = 1.0, value_name = "N")]
    pub motor_teeth: f64,
    /// Teeth of the roller's pulley.
    #[arg(long, default_value_t = 1.0, value_name = "N")]
    pub roller_teeth: f64,
    /// Roller diameter, mm.
    #[arg(long, value_name = "MM")]
    pub roller: f64,
    /// Belt thickness, mm.
    #[arg(long, value_name = "MM")]
    pub belt: f64,
    /// The firmware's own steps for a unit of the belt's extruder or axis.
    #[arg(long, value_name = "N")]
    pub firmware_steps: f64,
}

/// Arguments of `commission measure`.
#[derive(Debug, ClapArgs)]
pub struct MeasureArgs {
    /// The value by which it ran.
    #[arg(long, value_name = "N")]
    pub old: f64,
    /// How far it was to run, mm.
    #[arg(long, value_name = "MM")]
    pub commanded: f64,
    /// How far it ran, mm.
    #[arg(long, value_name = "MM")]
    pub measured: f64,
}

/// Arguments of `commission loop`.
#[derive(Debug, ClapArgs)]
pub struct LoopArgs {
    /// Roller diameter, mm.
    #[arg(long, value_name = "MM")]
    pub roller: f64,
    /// The other roller's diameter, mm; as the first unless said.
    #[arg(long, value_name = "MM")]
    pub other_roller: Option<f64>,
    /// From axle to axle, mm.
    #[arg(long, value_name = "MM")]
    pub centres: f64,
    /// Belt thickness, mm.
    #[arg(long, default_value_t = 0.0, value_name = "MM")]
    pub belt: f64,
}

/// Arguments of `inspect`.
#[derive(Debug, ClapArgs)]
pub struct InspectArgs {
    /// The sliced file.
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// Take limits, belt and material from this config instead of the defaults.
    #[arg(long, value_name = "F")]
    pub config: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
    /// Write a picture of the part on the belt here, as PNG.
    #[arg(long, value_name = "OUT.png")]
    pub picture: Option<PathBuf>,
}

/// Arguments of `backup`.
#[derive(Debug, ClapArgs)]
pub struct BackupArgs {
    /// The file to write; one that is there is left as it is.
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The config file.
    #[arg(long, value_name = "F")]
    pub config: PathBuf,
}

/// Arguments of `compose`.
#[derive(Debug, ClapArgs)]
pub struct ComposeArgs {
    /// The sliced file.
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// Where to write; `-` is the standard output [default: FILE's name with `.composed.gcode`, beside it].
    #[arg(short, long, value_name = "OUT")]
    pub out: Option<PathBuf>,
    /// Take limits, belt, heat and materials from this config instead of the defaults.
    #[arg(long, value_name = "F")]
    pub config: Option<PathBuf>,
    /// For this line of the config [default: the first that the file fits].
    #[arg(long, value_name = "NAME")]
    pub line: Option<String>,
    /// How many copies; more than one is refused, since nothing would check that a part has left before the next.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub copies: u32,
    /// Agree to what the file should be looked at for.
    #[arg(long)]
    pub yes: bool,
    /// Write over a file that is there.
    #[arg(long)]
    pub force: bool,
}

/// Arguments of `key`.
#[derive(Debug, ClapArgs)]
pub struct KeyArgs {
    /// The config file.
    #[arg(long, value_name = "F", default_value = "nosebar.toml", global = true)]
    pub config: PathBuf,
    /// What to do.
    #[command(subcommand)]
    pub what: KeyWhat,
}

/// What can be done to keys.
#[derive(Debug, Subcommand)]
pub enum KeyWhat {
    /// Every key: number, rights, when it was made and last used, name.
    List,
    /// A new key, shown once.
    Make {
        /// Whose it is, or where: 1 to 60 characters.
        #[arg(value_name = "NAME")]
        name: String,
        /// watch: look at the lines; operate: change them too.
        #[arg(long, value_name = "RIGHTS", default_value = "operate", value_parser = super::key::rights)]
        rights: Rights,
    },
    /// A key shall allow nothing any more.
    Revoke {
        /// Its number in the list.
        #[arg(value_name = "ID")]
        id: i64,
    },
}

/// Arguments of `simulate`.
#[derive(Debug, ClapArgs)]
#[command(group(clap::ArgGroup::new("where").required(true).args(["pty", "tcp"])))]
pub struct SimulateArgs {
    /// Make a pseudo-terminal and a link to it here.
    #[arg(long, value_name = "LINK")]
    pub pty: Option<PathBuf>,
    /// Listen for one connection after another here.
    #[arg(long, value_name = "ADDR")]
    pub tcp: Option<SocketAddr>,
    /// How many times faster than real time it runs.
    #[arg(long, default_value_t = 1.0, value_name = "N")]
    pub speed: f64,
    /// Printer units that a millimetre of its belt truly needs.
    #[arg(long, default_value_t = 1.0, value_name = "N")]
    pub units_per_mm: f64,
    /// Length of the belt's loop, mm.
    #[arg(long, value_name = "MM")]
    pub loop_mm: Option<f64>,
    /// A splice in the belt, from and to: along-belt coordinates at the start, mm. May be given several times.
    #[arg(long, value_name = "FROM..TO", value_parser = stretch, requires = "loop_mm")]
    pub splice: Vec<Stretch>,
    /// A fault script: one fault a line.
    #[arg(long, value_name = "F")]
    pub faults: Option<PathBuf>,
}

/// A stretch of belt, µm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch(pub [i64; 2]);

fn stretch(text: &str) -> Result<Stretch, String> {
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|mm| mm.abs() < 1e6);
    match text.split_once("..").map(|(from, to)| (number(from), number(to))) {
        Some((Some(from), Some(to))) if from < to => {
            Ok(Stretch([from, to].map(|mm| crate::units::Millimetres(mm).to_micrometres().0)))
        }
        _ => Err("expected two lengths in mm with .. between them, the smaller one first, such as 217..223".to_owned()),
    }
}
