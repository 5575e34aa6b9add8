//! What an alert is worth: each watch's limits with their patience and severity, in one table.
//!
//! In: a band, from a culture or a space. Out: the rules to hold values to, each with its severity.
//! A limit that carries its own patience overrides the table's. Left out: who is judged by which band.

use super::alert::{Severity, Watch};
use super::band::{Evidence, Rule, Side};
use crate::climate::stamp::{HOUR_MS, MINUTE_MS};
use crate::grow::culture::{Band, Limit};

/// Which limit of a band, and what is made of it.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Which {
    /// At or over `critical_high`.
    Critical,
    /// Over `high`.
    High,
    /// At a unit over `high` (99 % where `high` is the usual 98) or more.
    BeyondHigh,
    /// Over `high` times this.
    HighTimes(f64),
    /// Under `low`.
    Low,
    /// This many units under `low`.
    FarUnderLow(f64),
}

/// How far inside the limit a value must come back.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Back {
    /// In the quantity's unit.
    Units(f64),
    /// As a share of the limit.
    Share(f64),
}

/// What it is worth.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Worth {
    Always(Severity),
    CriticalIfHeated,
}

struct Row {
    watch: Watch,
    which: Which,
    on: Evidence,
    back: Back,
    off_ms: i64,
    worth: Worth,
}

const ADVICE: Worth = Worth::Always(Severity::Advice);
const WARNING: Worth = Worth::Always(Severity::Warning);
const CRITICAL: Worth = Worth::Always(Severity::Critical);

const fn row(watch: Watch, which: Which, on: Evidence, back: Back, off_ms: i64, worth: Worth) -> Row {
    Row { watch, which, on, back, off_ms, worth }
}

/// Common practice where no source is named; the delays follow from how fast a thing can change.
const TABLE: [Row; 13] = {
    use Back::{Share, Units};
    use Evidence::{Lasting, TwoOr};
    use Watch::{Co2, CoreTemperature, Humidity, Temperature};
    use Which::{BeyondHigh, Critical, FarUnderLow, High, HighTimes, Low};
    [
        // Damage is near and a cake of substrate cannot jump: two readings suffice, and minutes count.
        row(CoreTemperature, Critical, TwoOr(2 * MINUTE_MS), Units(1.5), 30 * MINUTE_MS, CRITICAL),
        // A cake follows the room in hours: half an hour is a trend, not a draught.
        row(CoreTemperature, High, Lasting(30 * MINUTE_MS), Units(1.0), HOUR_MS, WARNING),
        // Cold only costs time.
        row(CoreTemperature, Low, Lasting(4 * HOUR_MS), Units(1.0), HOUR_MS, ADVICE),
        // Ten minutes of hot air move a tub by a few percent of the jump; twenty are no open door.
        row(Temperature, Critical, Lasting(20 * MINUTE_MS), Units(1.0), 0, Worth::CriticalIfHeated),
        row(Temperature, High, Lasting(HOUR_MS), Units(1.0), 0, WARNING),
        row(Temperature, Low, Lasting(4 * HOUR_MS), Units(1.0), 0, ADVICE),
        // Picking and misting upset the air for a quarter to half an hour; an hour of dry air can abort pins.
        row(Humidity, Low, Lasting(30 * MINUTE_MS), Units(3.0), 0, ADVICE),
        row(Humidity, FarUnderLow(5.0), Lasting(2 * HOUR_MS), Units(3.0), 0, WARNING),
        // At 99 % for hours without once swinging lower: too little air exchange, or a wet element.
        // Nothing is urgent. Over under 97 %.
        row(Humidity, BeyondHigh, Lasting(6 * HOUR_MS), Units(2.0), 0, ADVICE),
        // CO2 shapes stems over hours to a day.
        row(Co2, High, Lasting(HOUR_MS), Share(0.15), 0, ADVICE),
        row(Co2, HighTimes(2.0), Lasting(6 * HOUR_MS), Share(0.15), 0, WARNING),
        // A critical limit set by the grower for these: told by day. Only heat is worth waking for.
        row(Humidity, Critical, Lasting(HOUR_MS), Units(3.0), 0, WARNING),
        row(Co2, Critical, Lasting(HOUR_MS), Share(0.15), 0, WARNING),
    ]
};

/// A rule and what breaking it is worth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weighed {
    /// The limit with its patience.
    pub rule: Rule,
    /// What it is worth.
    pub severity: Severity,
    /// Told also while somebody works there: at or over `critical_high`, and cores.
    pub never_waits: bool,
}

/// The rules that `watch` makes of `band`, mildest first; `heated`: a heater can run away there.
pub fn rules(watch: Watch, band: &Band, heated: bool) -> Vec<Weighed> {
    let mut rules: Vec<_> = TABLE
        .iter()
        .filter(|row| row.watch == watch)
        .filter_map(|row| {
            let severity = match row.worth {
                Worth::Always(severity) => severity,
                Worth::CriticalIfHeated if heated => Severity::Critical,
                Worth::CriticalIfHeated => Severity::Warning,
            };
            let never_waits = row.which == Which::Critical || watch == Watch::CoreTemperature;
            rule(row, band).map(|rule| Weighed { rule, severity, never_waits })
        })
        .collect();
    rules.sort_by_key(|weighed| weighed.severity);
    rules
}

fn rule(row: &Row, band: &Band) -> Option<Rule> {
    let (limit, side, value, derived) = match row.which {
        Which::Critical => (band.critical_high?, Side::AtOrOver, band.critical_high?.value, false),
        Which::High => (band.high?, Side::Over, band.high?.value, false),
        // Never more than there can be.
        Which::BeyondHigh => (band.high?, Side::AtOrOver, (band.high?.value + 1.0).min(100.0), false),
        Which::HighTimes(factor) => (band.high?, Side::Over, band.high?.value * factor, true),
        Which::Low => (band.low?, Side::Under, band.low?.value, false),
        Which::FarUnderLow(units) => (band.low?, Side::Under, band.low?.value - units, true),
    };
    let Limit { on_delay_ms, off_delay_ms, deadband, .. } = limit;
    let on = match (row.on, on_delay_ms) {
        // The worse half of a limit is never quicker than the limit itself.
        (Evidence::Lasting(own), Some(ms)) if derived => Evidence::Lasting(own.max(ms)),
        (_, Some(ms)) => Evidence::Lasting(ms),
        (own, None) => own,
    };
    let back = match row.back {
        Back::Units(units) => units,
        Back::Share(share) => share * value.abs(),
    };
    Some(Rule {
        side,
        limit: value,
        on,
        off_ms: off_delay_ms.unwrap_or(row.off_ms),
        deadband: deadband.unwrap_or(back),
    })
}

const fn over(limit: f64, on_ms: i64, deadband: f64, severity: Severity, never_waits: bool) -> Weighed {
    let rule = Rule { side: Side::Over, limit, on: Evidence::Lasting(on_ms), off_ms: 0, deadband };
    Weighed { rule, severity, never_waits }
}

/// Core over air, K. A lone tub on a wire shelf peaks 2 to 3 over its air; 5 means insulated or very
/// active, 8 stacked or in trouble (computed from heat made and lost, common practice). An hour: a
/// draught through an open door cools the air for less.
pub const CORE_OVER_AIR: [Weighed; 2] =
    [over(5.0, HOUR_MS, 1.0, Severity::Advice, true), over(8.0, HOUR_MS, 1.0, Severity::Warning, true)];

/// CO2 for people, ppm: 5,000 is a common limit for eight hours at work. A safety notice: it never waits.
pub const CO2_FOR_PEOPLE: Weighed = over(5_000.0, 5 * MINUTE_MS, 2_000.0, Severity::Warning, true);

/// Hours until a core reaches its critical limit at the pace of the last four: under 12 for four
/// hours; over once it is more than 24. A cake cannot warm itself by more than about 0.3 °C an hour,
/// so a forecast that stands for four hours is no draught.
pub const HEATING_AHEAD: Rule =
    Rule { side: Side::Under, limit: 12.0, on: Evidence::Lasting(4 * HOUR_MS), off_ms: 0, deadband: 12.0 };

/// Hours over the band in one stage, added up: a cold chain's monitor alarms on the sum beside the
/// single event, since several short heats harm like one long. Common practice, no source.
pub const HEAT_STRESS_H: [(f64, Severity); 2] = [(6.0, Severity::Advice), (24.0, Severity::Warning)];

/// So far behind the calendar (1 is on time) for half a day is stalled; a night alone is not.
pub const STALLED: Rule =
    Rule { side: Side::Under, limit: 0.8, on: Evidence::Lasting(12 * HOUR_MS), off_ms: 0, deadband: 0.0 };

/// A battery in percent: a fifth is left when most radios begin to stutter (common practice).
pub const BATTERY_PERCENT: Rule =
    Rule { side: Side::Under, limit: 15.0, on: Evidence::Lasting(0), off_ms: 0, deadband: 10.0 };

/// A battery in volts: two alkaline cells, or a lithium coin, nearly spent (common practice).
pub const BATTERY_VOLTS: Rule =
    Rule { side: Side::Under, limit: 2.4, on: Evidence::Lasting(0), off_ms: 0, deadband: 0.2 };

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn band() -> Band {
        Band { low: Some(Limit::plain(20.0)), high: Some(Limit::plain(28.0)), critical_high: Some(Limit::plain(31.0)) }
    }

    #[test]
    fn core_temperature_as_promised() {
        let rules = rules(Watch::CoreTemperature, &band(), false);
        let brief: Vec<_> =
            rules.iter().map(|it| (it.severity, it.rule.limit, it.rule.on, it.rule.off_ms, it.rule.deadband)).collect();
        assert_eq!(
            brief,
            [
                (Severity::Advice, 20.0, Evidence::Lasting(4 * HOUR_MS), HOUR_MS, 1.0),
                (Severity::Warning, 28.0, Evidence::Lasting(30 * MINUTE_MS), HOUR_MS, 1.0),
                (Severity::Critical, 31.0, Evidence::TwoOr(2 * MINUTE_MS), 30 * MINUTE_MS, 1.5),
            ]
        );
    }

    #[test]
    fn hot_air_is_critical_only_where_it_is_heated() {
        let worst = |heated| rules(Watch::Temperature, &band(), heated).last().unwrap().severity;
        assert_eq!((worst(true), worst(false)), (Severity::Critical, Severity::Warning));
    }

    #[test]
    fn a_limit_with_its_own_patience() {
        let low =
            Limit { value: 85.0, on_delay_ms: Some(3 * HOUR_MS), off_delay_ms: Some(60_000), deadband: Some(2.0) };
        let rules = rules(Watch::Humidity, &Band { low: Some(low), ..Band::default() }, false);
        let brief: Vec<_> =
            rules.iter().map(|it| (it.rule.limit, it.rule.on, it.rule.off_ms, it.rule.deadband)).collect();
        let own = Evidence::Lasting(3 * HOUR_MS);
        assert_eq!(brief, [(85.0, own, 60_000, 2.0), (80.0, own, 60_000, 2.0)]);
    }

    #[test]
    fn co2_comes_back_by_a_share() {
        let rules = rules(Watch::Co2, &Band { high: Some(Limit::plain(1000.0)), ..Band::default() }, false);
        let brief: Vec<_> = rules.iter().map(|it| (it.severity, it.rule.limit, it.rule.deadband)).collect();
        assert_eq!(brief, [(Severity::Advice, 1000.0, 150.0), (Severity::Warning, 2000.0, 300.0)]);
    }
}
