//! The columns of every file of an export: type, unit, meaning. One table, from which the descriptor is
//! made; a test holds it to the headers the files really have.

/// One column.
#[derive(Clone, Copy, Debug)]
pub(super) struct Field {
    pub name: &'static str,
    /// string, number, integer, boolean or datetime.
    pub kind: &'static str,
    /// Empty where it is no measure.
    pub unit: &'static str,
    pub meaning: &'static str,
}

const fn field(name: &'static str, kind: &'static str, unit: &'static str, meaning: &'static str) -> Field {
    Field { name, kind, unit, meaning }
}

/// `climate.csv`.
pub(super) const CLIMATE: [Field; 10] = [
    field("time", "datetime", "", "Beginning of the hour, or when it was measured"),
    field("space", "string", "", "The space"),
    field("probe", "string", "", "The probe"),
    field("temperature_c", "number", "°C", "Air, or substrate of a core probe; the mean of the hour"),
    field("humidity_pct", "number", "%RH", "Relative humidity over water"),
    field("co2_ppm", "number", "ppm", "Carbon dioxide"),
    field("dew_point_c", "number", "°C", "Dew point over water"),
    field("vpd_kpa", "number", "kPa", "Vapour-pressure deficit"),
    field("absolute_humidity_g_m3", "number", "g/m³", "Water in the air"),
    field("coverage", "number", "1", "Hours measured over hours elapsed, 0 to 1"),
];

/// The last column of a raw `climate.csv`.
pub(super) const QUALITY: Field = field(
    "quality",
    "string",
    "",
    "good, spike, sentinel, out-of-range, stuck, saturated, undated or future; behind a space clock-unsure where the clock was wrong",
);

/// `tubs.csv`.
pub(super) const TUBS: [Field; 35] = [
    field("tub", "string", "", "The bare name, used again once the tub has ended"),
    field("id", "string", "", "The filling: name and local date of spawning"),
    field("kind", "string", "", "tub, bag, block, bottle or bed"),
    field("culture", "string", "", "The culture"),
    field("strain", "string", "", "The grower's word"),
    field("batch", "string", "", "The grower's word for the batch of grain"),
    field("heat_run", "string", "", "The heat run of its substrate, see heat_runs"),
    field("position", "string", "", "Where in the space"),
    field("space", "string", "", "The space"),
    field("spawned_at", "datetime", "", "Spawn mixed into the substrate"),
    field("colonised_at", "datetime", "", "Logged, or implied, as colonised"),
    field("opened_at", "datetime", "", "First opened"),
    field("ended_at", "datetime", "", "When it ended"),
    field("ended_because", "string", "", "contaminated, spent or other"),
    field(
        "contaminated_on_day",
        "integer",
        "d",
        "Days begun since spawning when contamination was first suspected; the day of spawning is 0",
    ),
    field("grain_l", "number", "L", "Grain spawn"),
    field("bulk_l", "number", "L", "Bulk substrate"),
    field("spawn_rate_pct", "number", "%", "Grain over bulk by volume; 1:1 is 100"),
    field("dry_bulk_g", "number", "g", "Dry bulk substrate"),
    field("dry_grain_g", "number", "g", "Dry grain"),
    field("days_to_colonise", "number", "d", "From spawning to colonised"),
    field(
        "degree_hours",
        "number",
        "°C·h",
        "Above base and capped, from spawning to colonised, else to the end or now",
    ),
    field("coverage", "number", "1", "Hours measured over hours elapsed, 0 to 1"),
    field("equivalent_days", "number", "d", "Degree-hours in days at the culture's usual temperature"),
    field("temperature_from", "string", "", "The probes these figures come from"),
    field("heat_stress_degree_hours", "number", "°C·h", "Over the top of the band"),
    field("mean_temperature_c", "number", "°C", "Mean over the same time"),
    field("max_temperature_c", "number", "°C", "Highest over the same time"),
    field("max_core_over_air_k", "number", "K", "Most the core was over its air"),
    field("hours_over_band", "number", "h", "Over the band of its stage"),
    field("hours_under_band", "number", "h", "Under the band of its stage"),
    field("hours_over_damage", "number", "h", "At or over the culture's damage limit"),
    field("fresh_total_g", "number", "g", "Fresh mushrooms of all flushes"),
    field("biological_efficiency_pct", "number", "%", "Fresh mass over dry substrate"),
    field("biological_efficiency_basis", "string", "", "bulk, or bulk+grain: what the dry substrate counts"),
];

/// `flushes.csv`.
pub(super) const FLUSHES: [Field; 20] = [
    field("tub", "string", "", "The bare name, used again once the tub has ended"),
    field("id", "string", "", "The filling: name and local date of spawning"),
    field("flush", "integer", "", "From 1"),
    field("from", "datetime", "", "Beginning of the flush's window: its opening, else the entry before it"),
    field("to", "datetime", "", "Its last picking"),
    field("harvested_at", "datetime", "", "Its first picking"),
    field("fresh_g", "number", "g", "Fresh mushrooms"),
    field("dry_g", "number", "g", "Dried mushrooms"),
    field("biological_efficiency_pct", "number", "%", "Fresh mass over dry substrate"),
    field("biological_efficiency_basis", "string", "", "bulk, or bulk+grain: what the dry substrate counts"),
    field("temperature_mean_c", "number", "°C", "Air, mean over the window"),
    field("temperature_min_c", "number", "°C", "Air, lowest"),
    field("temperature_max_c", "number", "°C", "Air, highest"),
    field("humidity_mean_pct", "number", "%RH", "Mean over the window"),
    field("humidity_min_pct", "number", "%RH", "Lowest"),
    field("vpd_mean_kpa", "number", "kPa", "Mean over the window"),
    field("co2_mean_ppm", "number", "ppm", "Mean over the window"),
    field("co2_p95_ppm", "number", "ppm", "95 of 100 readings lie below"),
    field("hours_out_of_band", "number", "h", "Temperature, humidity or CO2 outside the band of its stage"),
    field("coverage", "number", "1", "Hours measured over hours elapsed, 0 to 1"),
];

/// `heat_runs.csv`.
pub(super) const HEAT_RUNS: [Field; 20] = [
    field("run", "string", "", "The heat run"),
    field("started_at", "datetime", "", "When it began"),
    field("ended_at", "datetime", "", "When the grower ended it"),
    field("verdict", "string", "", "held (of one probe: held where measured), short or unproven"),
    field("window", "string", "", "The published window its target was taken from"),
    field("hold_at_c", "number", "°C", "The target in the substrate"),
    field("hold_for_min", "number", "min", "How long it was to be held"),
    field("spawn_below_c", "number", "°C", "To be spawned below this"),
    field("earned_min", "number", "min", "At or over the target at the coldest valid probe"),
    field("proven_min", "number", "min", "Of them, with every probe valid"),
    field("unknown_min", "number", "min", "Without any valid probe"),
    field("reached_at", "datetime", "", "When the hold was earned"),
    field("cool_at", "datetime", "", "When it was cool enough to spawn"),
    field("peak_c", "number", "°C", "Hottest reading of any probe"),
    field("pasteurisation_units", "number", "min", "Minutes at the reference temperature, the least of any probe"),
    field("units_reference_c", "number", "°C", "Reference temperature of the units"),
    field("units_z_c", "number", "°C", "Degrees for ten times the rate"),
    field("probes", "string", "", "Its probes, joined by +"),
    field("lowest_at_target_min", "number", "min", "At or over the target, the least of any probe alone"),
    field("tubs", "string", "", "Ids of the tubs spawned from it, joined by +"),
];

/// `log.csv`.
pub(super) const LOG: [Field; 20] = [
    field("entry", "integer", "", "Number of the entry"),
    field("at", "datetime", "", "When it happened"),
    field("written_at", "datetime", "", "When it was typed"),
    field("tub", "string", "", "The bare name, used again once the tub has ended"),
    field("id", "string", "", "The filling: name and local date of spawning"),
    field("deed", "string", "", "What happened"),
    field("culture", "string", "", "The culture"),
    field("space", "string", "", "The space it went to"),
    field("probe", "string", "", "The core probe"),
    field("fresh_g", "number", "g", "Fresh mushrooms"),
    field("dry_g", "number", "g", "Dried mushrooms"),
    field("flush", "integer", "", "From 1"),
    field("what", "string", "", "Colour or kind of what was suspected, or what a photo shows"),
    field("where", "string", "", "Where on the cake"),
    field("because", "string", "", "Why it ended"),
    field("text", "string", "", "The text; a photo's path; a heat run's name"),
    field("alert", "integer", "", "The alert acknowledged"),
    field("amends", "integer", "", "The entry it supersedes"),
    field("void", "boolean", "", "The superseded entry is as if never written"),
    field("new_at", "datetime", "", "The new time"),
];

/// `alerts.csv`.
pub(super) const ALERTS: [Field; 14] = [
    field("id", "integer", "", "Number of the alert"),
    field("subject", "string", "", "What it is about"),
    field("watch", "string", "", "Which watch raised it"),
    field("severity", "string", "", "advice, warning or critical"),
    field("state", "string", "", "Where it stands in its life"),
    field("since", "datetime", "", "When it was raised"),
    field("first_at", "datetime", "", "First offending sample"),
    field("returned_at", "datetime", "", "When it was last over"),
    field("acknowledged_at", "datetime", "", "When the grower said they know"),
    field("ended_at", "datetime", "", "When it left the list"),
    field("value", "number", "", "The latest offending value, in the unit of its quantity"),
    field("limit", "number", "", "The limit it broke"),
    field("repeat", "integer", "", "How often it was raised again"),
    field("text", "string", "", "What was told"),
];
