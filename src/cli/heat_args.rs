//! What may be typed after `pasteurise`, `heat-runs`, `calibrate` and `report`, as clap reads it.

use std::path::PathBuf;

use clap::Args;

/// `pasteurise`
#[derive(Debug, Args)]
pub struct PasteuriseArgs {
    /// A name for the run
    #[arg(value_name = "RUN")]
    pub run: String,
    /// A probe in the substrate; name several, the coldest place counts
    #[arg(long, value_name = "PROBE", num_args = 1..)]
    pub probe: Vec<String>,
    /// The target in the substrate, such as 65C; or a published window, see heat-runs --windows
    #[arg(long, value_name = "TEMPERATURE|WINDOW", allow_hyphen_values = true)]
    pub hold_at: Option<String>,
    /// For how long, such as 1h; a window brings its own
    #[arg(long, value_name = "DURATION", allow_hyphen_values = true)]
    pub hold_for: Option<String>,
    /// Tell when the hottest probe is below this; 25C
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub spawn_below: Option<String>,
    /// The run is over
    #[arg(long, conflicts_with_all = ["probe", "hold_at", "hold_for", "spawn_below"])]
    pub end: bool,
    /// Use a probe that reads humidity all the same
    #[arg(long)]
    pub anyway: bool,
    /// When: 2026-11-20 10:00, RFC 3339, or now
    #[arg(long, value_name = "TIME", default_value = "now")]
    pub at: String,
}

/// `heat-runs`
#[derive(Debug, Args)]
pub struct HeatRunsArgs {
    /// The published windows of temperature and time, with their sources
    #[arg(long, conflicts_with = "json")]
    pub windows: bool,
    /// For programs: stable fields
    #[arg(long)]
    pub json: bool,
}

/// `calibrate`
#[derive(Debug, Args)]
pub struct CalibrateArgs {
    /// The probe
    #[arg(value_name = "PROBE")]
    pub probe: String,
    /// Where it lies: nacl (table-salt), kcl, mgcl2, k2so4, ice or boiling
    #[arg(long, value_name = "REFERENCE")]
    pub at: String,
    /// Metres above the sea, such as 640m; else site.altitude
    #[arg(long, value_name = "HEIGHT", conflicts_with = "station_pressure", allow_hyphen_values = true)]
    pub altitude: Option<String>,
    /// What a barometer on the spot shows, such as 940hPa; never a forecast's figure
    #[arg(long, value_name = "PRESSURE")]
    pub station_pressure: Option<String>,
    /// The jar's temperature, for a probe that reads none
    #[arg(long, value_name = "TEMPERATURE")]
    pub jar: Option<String>,
    /// When it was put there; readings before do not count
    #[arg(long, value_name = "TIME", default_value = "now")]
    pub since: String,
    /// A point of an earlier calibrate, as that printed it; with it a gain is computed
    #[arg(long, value_name = "POINT", allow_hyphen_values = true)]
    pub earlier: Vec<String>,
    /// Wait no longer than this
    #[arg(long, value_name = "DURATION", default_value = "12h")]
    pub wait: String,
}

/// `report`
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// A tub's name, or a filling's id
    #[arg(value_name = "TUB", required_unless_present = "compare", conflicts_with = "compare")]
    pub tub: Option<String>,
    /// Several tubs side by side; without names those of --culture or --space
    #[arg(long, value_name = "TUB", num_args = 0..)]
    pub compare: Option<Vec<String>>,
    /// Compare the tubs of this culture
    #[arg(long, value_name = "CULTURE", requires = "compare")]
    pub culture: Option<String>,
    /// Compare the tubs that stood in this space
    #[arg(long, value_name = "SPACE", requires = "compare")]
    pub space: Option<String>,
    /// The file, an HTML page
    #[arg(long, value_name = "FILE.html")]
    pub out: PathBuf,
}
