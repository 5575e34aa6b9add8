//! An alert: what a watch raised, how bad it is, and where it stands in its life.
//!
//! The states are those of IEC 62682 / ANSI/ISA-18.2 (unacknowledged, acknowledged, returned to
//! normal unacknowledged, shelved, suppressed by design).

use crate::climate::Stamp;

/// What an alert is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// In the morning list.
    Advice,
    /// Told by day.
    Warning,
    /// Worth getting out of bed.
    Critical,
}

impl Severity {
    /// All severities, mildest first.
    pub const ALL: [Severity; 3] = [Severity::Advice, Severity::Warning, Severity::Critical];

    /// The word used in config, JSON and metrics.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Advice => "advice",
            Severity::Warning => "warning",
            Severity::Critical => "critical",
        }
    }

    /// The severity called `word`, if there is one.
    pub fn from_word(word: &str) -> Option<Severity> {
        Severity::ALL.into_iter().find(|severity| severity.word() == word)
    }
}

/// Where an alert stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AlertState {
    /// Raised, nobody has said they know.
    Unacknowledged,
    /// Raised, and the grower knows.
    Acknowledged,
    /// The condition is over, but nobody had acknowledged it.
    Returned,
    /// Put aside by the grower for a while.
    Shelved,
    /// Put aside by design, because another alert explains it.
    Suppressed,
    /// Over; it leaves the list.
    Ended,
}

impl AlertState {
    /// All states.
    pub const ALL: [AlertState; 6] = [
        AlertState::Unacknowledged,
        AlertState::Acknowledged,
        AlertState::Returned,
        AlertState::Shelved,
        AlertState::Suppressed,
        AlertState::Ended,
    ];

    /// The word used in JSON.
    pub fn word(self) -> &'static str {
        match self {
            AlertState::Unacknowledged => "unacknowledged",
            AlertState::Acknowledged => "acknowledged",
            AlertState::Returned => "returned",
            AlertState::Shelved => "shelved",
            AlertState::Suppressed => "suppressed",
            AlertState::Ended => "ended",
        }
    }

    /// The state called `word`, if there is one.
    pub fn from_word(word: &str) -> Option<AlertState> {
        AlertState::ALL.into_iter().find(|state| state.word() == word)
    }
}

/// Which watch raised it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Watch {
    /// A tub's substrate.
    CoreTemperature,
    /// A space's air temperature.
    Temperature,
    /// A space's relative humidity.
    Humidity,
    /// A space's carbon dioxide.
    Co2,
    /// A core on its way to its critical limit.
    HeatingAhead,
    /// A core far warmer than its air.
    CoreOverAir,
    /// Hours over the band, added up in one stage.
    HeatStress,
    /// A tub that gains no degree-hours, or no warmth of its own.
    Stalled,
    /// A tub to be looked at.
    Due,
    /// A tub to be picked.
    PickSoon,
    /// Air that is bad for people.
    Co2ForPeople,
    /// A probe that should have reported.
    ProbeSilent,
    /// A probe that says the same for hours.
    ProbeStuck,
    /// A probe that says what cannot be.
    ProbeImplausible,
    /// A humidity element that is wet.
    ProbeSaturated,
    /// A core probe that is not in its substrate.
    ProbeFallenOut,
    /// A probe's battery.
    Battery,
    /// A broker, port or intake that is away.
    SourceDown,
    /// The store cannot be written.
    Store,
    /// The machine's clock cannot be relied on.
    Clock,
    /// A messenger does not deliver.
    MessengerFailing,
    /// The last backup is old.
    BackupOld,
    /// A changed config was not taken over.
    Config,
    /// A heat run has been held for as long as it was to be.
    HoldReached,
    /// A heat run's substrate is cool enough to spawn.
    CoolEnough,
    /// A heat run's coldest probe is under the target.
    HoldLost,
}

impl Watch {
    /// All watches.
    pub const ALL: [Watch; 26] = [
        Watch::CoreTemperature,
        Watch::Temperature,
        Watch::Humidity,
        Watch::Co2,
        Watch::HeatingAhead,
        Watch::CoreOverAir,
        Watch::HeatStress,
        Watch::Stalled,
        Watch::Due,
        Watch::PickSoon,
        Watch::Co2ForPeople,
        Watch::ProbeSilent,
        Watch::ProbeStuck,
        Watch::ProbeImplausible,
        Watch::ProbeSaturated,
        Watch::ProbeFallenOut,
        Watch::Battery,
        Watch::SourceDown,
        Watch::Store,
        Watch::Clock,
        Watch::MessengerFailing,
        Watch::BackupOld,
        Watch::Config,
        Watch::HoldReached,
        Watch::CoolEnough,
        Watch::HoldLost,
    ];

    /// The word used in JSON.
    pub fn word(self) -> &'static str {
        match self {
            Watch::CoreTemperature => "core-temperature",
            Watch::Temperature => "temperature",
            Watch::Humidity => "humidity",
            Watch::Co2 => "co2",
            Watch::HeatingAhead => "heating-ahead",
            Watch::CoreOverAir => "core-over-air",
            Watch::HeatStress => "heat-stress",
            Watch::Stalled => "stalled",
            Watch::Due => "due",
            Watch::PickSoon => "pick-soon",
            Watch::Co2ForPeople => "co2-for-people",
            Watch::ProbeSilent => "probe-silent",
            Watch::ProbeStuck => "probe-stuck",
            Watch::ProbeImplausible => "probe-implausible",
            Watch::ProbeSaturated => "probe-saturated",
            Watch::ProbeFallenOut => "probe-fallen-out",
            Watch::Battery => "battery",
            Watch::SourceDown => "source-down",
            Watch::Store => "store",
            Watch::Clock => "clock",
            Watch::MessengerFailing => "messenger-failing",
            Watch::BackupOld => "backup-old",
            Watch::Config => "config",
            Watch::HoldReached => "hold-reached",
            Watch::CoolEnough => "cool-enough",
            Watch::HoldLost => "hold-lost",
        }
    }

    /// The watch called `word`, if there is one.
    pub fn from_word(word: &str) -> Option<Watch> {
        Watch::ALL.into_iter().find(|watch| watch.word() == word)
    }
}

/// One incident, from raised to ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Alert {
    /// The same as long as the incident lasts; never used again.
    pub id: i64,
    /// `tub A1`, `space shelf`, `probe core-a1`, `source house`, `messenger phone`, `store`.
    pub subject: String,
    /// Which watch.
    pub watch: Watch,
    /// What it is worth now.
    pub severity: Severity,
    /// Where it stands.
    pub state: AlertState,
    /// When it was raised.
    pub since: Stamp,
    /// Time of the first offending sample; part of the idempotency key.
    pub first_at: Stamp,
    /// The latest offending value, in the quantity's unit.
    pub value: Option<f64>,
    /// The limit it broke.
    pub limit: Option<f64>,
    /// One or two plain sentences: what, how long, how fast, what to do.
    pub text: String,
    /// When the condition was last over.
    pub returned_at: Option<Stamp>,
    /// When the grower acknowledged it.
    pub acknowledged_at: Option<Stamp>,
    /// When it left the list.
    pub ended_at: Option<Stamp>,
    /// How often it has been raised again.
    pub repeat: u32,
}

/// What happened to an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EventKind {
    /// New.
    Raised,
    /// Worse than before, or back after it had returned.
    RaisedAgain,
    /// The condition is over.
    Returned,
    /// The grower knows.
    Acknowledged,
}

impl EventKind {
    /// All kinds.
    pub const ALL: [EventKind; 4] =
        [EventKind::Raised, EventKind::RaisedAgain, EventKind::Returned, EventKind::Acknowledged];

    /// The word used in JSON.
    pub fn word(self) -> &'static str {
        match self {
            EventKind::Raised => "raised",
            EventKind::RaisedAgain => "raised-again",
            EventKind::Returned => "returned",
            EventKind::Acknowledged => "acknowledged",
        }
    }

    /// The kind called `word`, if there is one.
    pub fn from_word(word: &str) -> Option<EventKind> {
        EventKind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// One thing that happened to one alert, with the alert as it stands after it.
#[derive(Clone, Debug, PartialEq)]
pub struct AlertEvent {
    /// What happened.
    pub kind: EventKind,
    /// When, in sample time.
    pub at: Stamp,
    /// The alert after it.
    pub alert: Alert,
    /// The worst it was told as since it was raised: its severity may have come down while it was
    /// open, and whoever heard the worst must hear of its end.
    pub worst: Severity,
}
