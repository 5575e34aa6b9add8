//! What may be typed: every command with its options, as clap reads them.
//!
//! Values stay text here; times, masses and names are read by the commands, which know the site's
//! zone and the nearest valid word.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

pub use super::heat_args::{CalibrateArgs, HeatRunsArgs, PasteuriseArgs, ReportArgs};

/// Watches closed tubs of mushroom substrate and tells the grower before damage is done.
#[derive(Debug, Parser)]
#[command(name = "tubwatch", version, disable_help_subcommand = true)]
pub struct Cli {
    /// The config file; else $TUBWATCH_CONFIG, ./config/tubwatch.toml, /etc/tubwatch/tubwatch.toml
    #[arg(long, global = true, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// The daemon: reads probes, keeps history, alerts; until SIGTERM or Ctrl-C
    Run,
    /// Read the config and say what would be watched and from where
    Check,
    /// The whole job with made-up probes: two weeks in about a minute, nothing installed
    Rehearse,
    /// Send "Trial: nothing is wrong" through a messenger
    Try {
        /// A messenger's name, or all
        #[arg(value_name = "MESSENGER|all")]
        messenger: String,
    },
    /// Spawn to bulk: one or several tubs begin
    Spawn(Box<SpawnArgs>),
    /// Looked at from outside, or briefly
    Looked(TubAt),
    /// The surface is wholly white
    Colonised(TubAt),
    /// To fruiting conditions
    Open {
        /// Which tub, when
        #[command(flatten)]
        tub: TubAt,
        /// The space it goes to
        #[arg(long, value_name = "SPACE")]
        to: Option<String>,
    },
    /// The lid is shut again
    Close(TubAt),
    /// A casing layer went on
    Cased(TubAt),
    /// Pins seen
    Pins(TubAt),
    /// Picked
    Harvest(HarvestArgs),
    /// Between flushes
    Rest(TubAt),
    /// Rehydrated
    Soaked(TubAt),
    /// Mould suspected
    Suspect {
        /// Which tub, when
        #[command(flatten)]
        tub: TubAt,
        /// Colour or kind, such as green
        #[arg(long, value_name = "WHAT")]
        what: Option<String>,
        /// Where on the cake, such as corner
        #[arg(long = "where", value_name = "WHERE")]
        place: Option<String>,
    },
    /// The tub ends
    Discard {
        /// Which tub, when
        #[command(flatten)]
        tub: TubAt,
        /// contaminated, spent or other
        #[arg(long, value_name = "REASON")]
        because: String,
    },
    /// Anything worth remembering
    Note {
        /// Which tub, when
        #[command(flatten)]
        tub: TubAt,
        /// The text; beside a photo, what it shows
        #[arg(required_unless_present = "photo", value_name = "TEXT")]
        text: Vec<String>,
        /// A photo; the file stays where it is, its path is noted
        #[arg(long, value_name = "FILE")]
        photo: Option<PathBuf>,
    },
    /// The tub goes to another space
    Move {
        /// Which tub, when
        #[command(flatten)]
        tub: TubAt,
        /// The space it goes to
        #[arg(long, value_name = "SPACE")]
        to: String,
    },
    /// The tub's core probe changes
    Core {
        /// Which tub, when
        #[command(flatten)]
        tub: TubAt,
        /// The probe now in it, or none
        #[arg(value_name = "PROBE|none")]
        probe: String,
    },
    /// Supersede an earlier entry; nothing is erased
    Amend(Box<AmendArgs>),
    /// Where each living tub stands
    Tubs(Json),
    /// One tub in full, with its log
    Show {
        /// A tub's name, or a filling's id
        #[arg(value_name = "TUB")]
        tub: String,
        /// How to print it
        #[command(flatten)]
        json: Json,
    },
    /// The alerts that stand
    Alerts(Json),
    /// Say that you know of an alert
    Acknowledge {
        /// The alert's id, as tubwatch alerts shows it
        #[arg(value_name = "ID", allow_hyphen_values = true)]
        id: String,
    },
    /// A heat run of substrate begins, or ends; the daemon follows it
    Pasteurise(Box<PasteuriseArgs>),
    /// How each heat run stands
    HeatRuns(HeatRunsArgs),
    /// What a probe should say at a known point; the correction to paste in the config
    Calibrate(Box<CalibrateArgs>),
    /// Put an alert aside for a while; a critical one for an hour at most
    Shelve {
        /// The alert's id, as tubwatch alerts shows it
        #[arg(value_name = "ID", allow_hyphen_values = true)]
        id: String,
        /// For how long, at most 24h
        #[arg(long = "for", value_name = "TIME", allow_hyphen_values = true)]
        how_long: String,
    },
    /// Hands in the tent: warnings of its air wait, cores and critical heat never do
    Working {
        /// For how long, at most 4h
        #[arg(long = "for", value_name = "TIME", allow_hyphen_values = true)]
        how_long: String,
        /// Where; without it everywhere
        #[arg(long, value_name = "SPACE")]
        space: Option<String>,
    },
    /// Recorded samples through the same watches; prints what would have been told
    Replay(ReplayArgs),
    /// Climate beside yields, as CSV files; or the samples as line protocol
    Export(ExportArgs),
    /// One self-contained page: story, charts, yields; or several tubs side by side
    Report(ReportArgs),
    /// The dated label to stick on the lid, with the address of the tub's page as a QR code
    Label {
        /// A tub's name, or a filling's id
        #[arg(value_name = "TUB")]
        tub: String,
        /// The file, an SVG picture
        #[arg(long, value_name = "FILE.svg")]
        out: PathBuf,
    },
    /// A consistent, compact copy of the store, while the daemon runs
    Backup {
        /// The new file
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// Of a damaged store: all that can still be read, and what is lost
        #[arg(long)]
        salvage: bool,
    },
    /// Make the store of a backup; never over another store
    Restore {
        /// The backup
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// Rename a store that is there already
        #[arg(long)]
        set_aside: bool,
    },
    /// What arrives, as it arrives: decoded, or why not; until Ctrl-C
    Arrivals {
        /// Also what nobody reads yet, with config lines for it
        #[arg(long)]
        all: bool,
        /// Append those lines to the config, each after asking
        #[arg(long, requires = "all")]
        write: bool,
    },
    /// Who may publish to an intake
    User {
        /// What about them
        #[command(subcommand)]
        what: UserCommand,
    },
    /// A probe or a space is called otherwise; its history follows
    Rename {
        /// Of what
        #[command(subcommand)]
        what: RenameCommand,
    },
    /// The token for reading the status from elsewhere
    Token {
        /// What about it
        #[command(subcommand)]
        what: TokenCommand,
    },
}

/// One tub and when it happened.
#[derive(Debug, Args)]
pub struct TubAt {
    /// A tub's name, or a filling's id
    #[arg(value_name = "TUB")]
    pub tub: String,
    /// When: 2026-11-20 10:00, 2026-11-20, RFC 3339, or now
    #[arg(long, value_name = "TIME", default_value = "now")]
    pub at: String,
}

/// `spawn`
#[derive(Debug, Args)]
pub struct SpawnArgs {
    /// Names for the tubs; A1..A6 is six of them
    #[arg(required = true, value_name = "TUB")]
    pub tubs: Vec<String>,
    /// The culture
    #[arg(long, value_name = "CULTURE")]
    pub culture: String,
    /// The space they stand in
    #[arg(long, value_name = "SPACE")]
    pub space: String,
    /// tub, bag, block, bottle or bed
    #[arg(long, value_name = "KIND", default_value = "tub")]
    pub kind: String,
    /// The probe in the substrate (of one tub only)
    #[arg(long, value_name = "PROBE", conflicts_with = "like")]
    pub core: Option<String>,
    /// Another tub whose core probe stands in
    #[arg(long, value_name = "TUB")]
    pub like: Option<String>,
    /// What went in
    #[command(flatten)]
    pub filling: FillingArgs,
    /// You know better: a heat run that is not in the logbook, volumes that look swapped
    #[arg(long)]
    pub anyway: bool,
    /// When: 2026-11-20 10:00, 2026-11-20, RFC 3339, or now
    #[arg(long, value_name = "TIME", default_value = "now")]
    pub at: String,
}

/// What went into a tub, of `spawn` and `amend`.
#[derive(Debug, Args)]
pub struct FillingArgs {
    /// Grain spawn in each, such as 2L
    #[arg(long, value_name = "VOLUME", allow_hyphen_values = true)]
    pub grain: Option<String>,
    /// Bulk substrate in each, such as 2L
    #[arg(long, value_name = "VOLUME", allow_hyphen_values = true)]
    pub bulk: Option<String>,
    /// Dry mass of the bulk substrate in each, such as 650g
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub dry_bulk: Option<String>,
    /// Dry mass of the grain in each, such as 400g
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub dry_grain: Option<String>,
    /// The heat run of the substrate
    #[arg(long, value_name = "RUN")]
    pub run: Option<String>,
    /// The strain
    #[arg(long, value_name = "STRAIN")]
    pub strain: Option<String>,
    /// The batch of grain
    #[arg(long, value_name = "BATCH")]
    pub batch: Option<String>,
    /// Where in the space
    #[arg(long, value_name = "POSITION")]
    pub position: Option<String>,
}

/// `harvest`
#[derive(Debug, Args)]
pub struct HarvestArgs {
    /// Which tub, when
    #[command(flatten)]
    pub tub: TubAt,
    /// Fresh mass, such as 412g
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub fresh: String,
    /// Dried mass, such as 40g
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub dry: Option<String>,
    /// Which flush, from 1; without it the one under way
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub flush: Option<String>,
    /// You know better: a yield beyond any that was published
    #[arg(long)]
    pub anyway: bool,
}

/// `amend`
#[derive(Debug, Args)]
pub struct AmendArgs {
    /// The entry's number, as tubwatch show prints it
    #[arg(value_name = "ENTRY", allow_hyphen_values = true)]
    pub entry: String,
    /// When it really happened
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// The right fresh mass of a harvest
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub fresh: Option<String>,
    /// The right dried mass of a harvest
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub dry: Option<String>,
    /// The right text of a note
    #[arg(long, value_name = "TEXT")]
    pub text: Option<String>,
    /// The right number of a harvest's flush
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub flush: Option<String>,
    /// The right reason of an end
    #[arg(long, value_name = "REASON")]
    pub because: Option<String>,
    /// The right culture of a spawning
    #[arg(long, value_name = "CULTURE")]
    pub culture: Option<String>,
    /// The right kind of container
    #[arg(long, value_name = "KIND")]
    pub kind: Option<String>,
    /// What went in
    #[command(flatten)]
    pub filling: FillingArgs,
    /// As if it had never been written; alone
    #[arg(long, exclusive = false, conflicts_with_all = ["at", "fresh", "dry", "text", "flush", "because", "culture",
        "kind", "grain", "bulk", "dry_bulk", "dry_grain", "run", "strain", "batch", "position"])]
    pub void: bool,
    /// You know better: a heat run that is not in the logbook, a yield beyond any that was published
    #[arg(long)]
    pub anyway: bool,
}

/// `--json`
#[derive(Clone, Copy, Debug, Args)]
pub struct Json {
    /// For programs: stable fields
    #[arg(long)]
    pub json: bool,
}

/// `replay`
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// A raw climate.csv of an export, or line protocol
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// So many times as fast as it happened; without it as fast as it goes
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub at_speed: Option<String>,
    /// Take hourly rows too, though hours hide what minutes would have raised
    #[arg(long)]
    pub coarse: bool,
}

/// `export`
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("what").required(true).args(["out", "line_protocol"]))]
pub struct ExportArgs {
    /// The folder for the CSV files; made if absent
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// The samples as line protocol, to a file or standard output
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    pub line_protocol: Option<PathBuf>,
    /// From when; a day means its first minute
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Until before when; a day means its first minute
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Only this tub
    #[arg(long, value_name = "TUB")]
    pub tub: Option<String>,
    /// A row an hour (1h), or every sample with its quality (raw)
    #[arg(long, value_name = "1h|raw", default_value = "1h")]
    pub every: String,
}

/// `user`
#[derive(Clone, Debug, Subcommand)]
pub enum UserCommand {
    /// Let somebody publish to an intake; the password is asked, or read from standard input
    Add {
        /// The name
        #[arg(value_name = "NAME")]
        name: String,
        /// The intake, where the config has several with a people_file
        #[arg(long, value_name = "INTAKE")]
        intake: Option<String>,
    },
}

/// What is renamed.
#[derive(Debug, Subcommand)]
pub enum RenameCommand {
    /// A probe
    Probe {
        /// What it is called
        #[arg(value_name = "OLD")]
        old: String,
        /// What it shall be called
        #[arg(value_name = "NEW")]
        new: String,
    },
    /// A space
    Space {
        /// What it is called
        #[arg(value_name = "OLD")]
        old: String,
        /// What it shall be called
        #[arg(value_name = "NEW")]
        new: String,
    },
}

/// `token`
#[derive(Clone, Copy, Debug, Subcommand)]
pub enum TokenCommand {
    /// Make the file that token_file names, readable by its owner alone
    New,
}
