//! `calibrate`: what a probe should say at a known point, and the lines to paste in the config.
//!
//! In: a probe, a reference, the stored raw readings as the running daemon adds them. Out: how it judged,
//! the correction with its uncertainty, the config lines. It waits until the reading is steady. Left out:
//! writing the config (the grower does), and the arithmetic (`climate::calibration`, `climate::steady`).

use std::ops::ControlFlow;
use std::thread;
use std::time::{Duration, Instant};

use super::args::CalibrateArgs;
use super::paper;
use super::speak::{Failure, Outcome, Voice, printable};
use super::{Site, now, wording};
use crate::climate::calibration::{Air, Fit, FixedPoint, Point, Reference, config_lines};
use crate::climate::statistics::median;
use crate::climate::steady::{Criterion, Settled, Standing, SteadyWatch};
use crate::climate::{Quantity, Stamp};
use crate::grow::measures::{altitude_m, duration_ms, pressure_pa, temperature_c};
use crate::grow::moment::{self, local_day, local_text};
use crate::grow::wrong::unknown;
use crate::store::Reader;
use crate::store::history::Form;
use crate::watch::setup::{Correction, ProbeSetup};

/// How often the store is asked.
const LOOK: Duration = Duration::from_secs(1);
/// The references the command knows.
const REFERENCES: [&str; 7] = ["nacl", "kcl", "mgcl2", "k2so4", "ice", "boiling", "table-salt"];

/// What is calibrated, checked before anything is waited for.
struct Job<'a> {
    setup: &'a ProbeSetup,
    reference: Reference,
    quantity: Quantity,
    unit: &'static str,
    air: Option<Air>,
    jar_c: Option<f64>,
    earlier: Vec<Point>,
    since: Stamp,
    wait: Duration,
    criterion: Criterion,
}

/// Waits, computes and prints.
pub fn calibrate(site: &Site, args: &CalibrateArgs) -> Outcome {
    let job = job(site, args)?;
    let reader = paper::reader(site)?;
    let mut voice = Voice::new();
    voice.say(format!("{}: {}", printable(&job.setup.name), job.criterion.stated(job.unit)))?;
    voice.say(format!(
        "Readings count from {}; leave the probe where it is.",
        local_text(job.since, site.plan.timezone)
    ))?;
    match job.reference {
        Reference::Boiling => voice.say(
            "Boiling water and steam scald: hold the probe by its cable, its tip in rolling water and off the bottom.",
        )?,
        Reference::Ice => {
            voice.say("Crushed ice and just water enough to fill the gaps, stirred; tip in the middle.")?
        }
        Reference::Salt(_) => voice.say("Wet crystals, not a puddle; lid tight, away from sun and heaters.")?,
    }
    let (settled, jar_c) = wait(&reader, &job, &mut voice)?;
    say_result(site, &job, settled, jar_c, &mut voice)
}

fn job<'a>(site: &'a Site, args: &CalibrateArgs) -> Result<Job<'a>, Failure> {
    let setup = &site.plan.setup;
    let names = || setup.probes.iter().map(|probe| probe.name.as_str());
    let Some(probe) = setup.probes.iter().find(|probe| probe.name == args.probe) else {
        return Err(Failure::Usage(unknown("probe", &args.probe, names())));
    };
    let reference =
        Reference::from_word(&args.at).ok_or_else(|| Failure::Usage(unknown("reference", &args.at, REFERENCES)))?;
    let reads: Vec<Quantity> = Quantity::ALL.into_iter().filter(|quantity| probe.reads(*quantity)).collect();
    let usage = |why: crate::climate::calibration::CalibrationError| Failure::Usage(why.to_string());
    let quantity = reference.quantity_of(&reads).map_err(usage)?;
    let altitude = args.altitude.as_deref().map(|text| altitude_m("--altitude", text)).transpose()?;
    let station = args.station_pressure.as_deref().map(|text| pressure_pa("--station-pressure", text)).transpose()?;
    let altitude = altitude.or(site.plan.altitude_m);
    let air = match (station, altitude) {
        (Some(pa), altitude) => Some(Air::Station(pa, altitude)),
        (None, Some(metres)) => Some(Air::Altitude(metres)),
        (None, None) => None,
    };
    let jar_c = args.jar.as_deref().map(|text| temperature_c("--jar", text)).transpose()?;
    let salt = matches!(reference, Reference::Salt(_));
    // What is missing is said now, not after hours of waiting; the jar's own temperature is read meanwhile.
    if !salt || jar_c.is_some() || !probe.reads(Quantity::Temperature) {
        reference.known(jar_c, air).map_err(usage)?;
    }
    let since = moment::parse(&args.since, site.plan.timezone, site.now)?.at;
    Ok(Job {
        setup: probe,
        reference,
        quantity,
        unit: if quantity == Quantity::Humidity { "points" } else { "°C" },
        air,
        jar_c,
        earlier: args.earlier.iter().map(|text| earlier(text)).collect::<Result<_, _>>()?,
        since,
        wait: Duration::from_millis(duration_ms("--wait", &args.wait)?.unsigned_abs()),
        criterion: Criterion::at(reference, probe.every_ms),
    })
}

/// A point of an earlier run as that run printed it: `READING:UNCERTAINTY:TRUE:UNCERTAINTY`.
fn earlier(text: &str) -> Result<Point, Failure> {
    let parts: Vec<f64> =
        text.split(':').filter_map(|part| part.parse().ok()).filter(|n: &f64| n.is_finite()).collect();
    match parts[..] {
        [reading, reading_uncertainty, value, uncertainty] if text.split(':').count() == 4 => {
            Ok(Point { reading, reading_uncertainty, reference: FixedPoint { value, uncertainty } })
        }
        _ => Err(Failure::Usage(format!(
            "--earlier: \"{text}\" is no point; copy it as the earlier calibrate printed it, such as 73.4:0.2:75.3:0.1"
        ))),
    }
}

/// Reads the store until the reading is steady: what it settled at, and the jar's temperature.
fn wait(reader: &Reader, job: &Job<'_>, voice: &mut Voice) -> Result<(Settled, Option<f64>), Failure> {
    let began = Instant::now();
    let mut watch = SteadyWatch::new(job.criterion);
    let mut jar: Vec<(Stamp, f64)> = Vec::new();
    let mut from = job.since;
    let mut said = String::new();
    loop {
        let mut newest = None;
        let correction = job.setup.correction[Quantity::Temperature.index()];
        let mut visit = |_: usize, message: &crate::store::JudgedMessage| {
            if let Some(raw) = message.good(job.quantity) {
                watch.push(message.at, raw);
                newest = Some(message.at);
            }
            if let Some(raw) = message.good(Quantity::Temperature) {
                jar.push((message.at, correction.apply(raw)));
            }
            ControlFlow::Continue(())
        };
        reader.history(&[&job.setup.name], from, now().plus(1), Form::Raw, &mut visit).map_err(Failure::failed)?;
        if let Some(newest) = newest {
            from = newest.plus(1);
            jar.retain(|(at, _)| newest.since(*at) <= job.criterion.window_ms);
        }
        let standing = watch.standing();
        if let Standing::Steady(settled) = standing {
            let mut temperatures: Vec<f64> = jar.iter().map(|(_, value)| *value).collect();
            return Ok((settled, job.jar_c.or(median(&mut temperatures))));
        }
        let text = standing_text(&standing, job, from == job.since);
        if text != said {
            voice.say(&text)?;
            said = text;
        }
        if began.elapsed() >= job.wait {
            return Err(Failure::Failed(format!(
                "not steady within {}: {said}; nothing to paste",
                wording::span(i64::try_from(job.wait.as_millis()).unwrap_or(i64::MAX))
            )));
        }
        thread::sleep(LOOK.min(job.wait));
    }
}

fn standing_text(standing: &Standing, job: &Job<'_>, nothing: bool) -> String {
    let unit = job.unit;
    match standing {
        _ if nothing => {
            format!("no reading of {} yet; is tubwatch run running, and the probe heard?", printable(&job.setup.name))
        }
        Standing::TooShort { wait_ms } => format!("at least {} more to go", wording::span(*wait_ms + 30_000)),
        Standing::Restless { by } => format!("not steady yet: it wanders by {by:.1} {unit}"),
        Standing::Moving { slope_per_hour } => {
            format!("not steady yet: it moves by {slope_per_hour:+.1} {unit} an hour")
        }
        Standing::Steady(_) => "steady".to_owned(),
    }
}

fn say_result(site: &Site, job: &Job<'_>, settled: Settled, jar_c: Option<f64>, voice: &mut Voice) -> Outcome {
    let reference = job.reference.known(jar_c, job.air).map_err(Failure::failed)?;
    let point = Point { reading: settled.reading, reading_uncertainty: settled.uncertainty, reference };
    let points: Vec<Point> = job.earlier.iter().copied().chain([point]).collect();
    let fit = Fit::of(&points).map_err(Failure::failed)?;
    fit.check(job.quantity).map_err(Failure::failed)?;
    let unit = if job.quantity == Quantity::Humidity { "%RH" } else { "°C" };
    let where_at = match (job.reference, job.air, jar_c) {
        (Reference::Salt(_), _, Some(jar_c)) => format!(" (Greenspan 1977, jar at {jar_c:.1} °C)"),
        (Reference::Boiling, Some(Air::Station(pa, _)), _) => format!(" (at {:.0} hPa on the spot)", pa / 100.0),
        (Reference::Boiling, Some(Air::Altitude(metres)), _) => {
            format!(" (at {metres:.0} m, by the mean pressure there; a barometer on the spot is better)")
        }
        _ => String::new(),
    };
    voice.say(format!(
        "Steady: {} readings, median {:.2} {unit} (standard uncertainty {:.2}), moving {:+.2} {unit} an hour.",
        settled.readings, settled.reading, settled.uncertainty, settled.slope_per_hour
    ))?;
    voice.say(format!(
        "At {} it should read {:.2} {unit} (standard uncertainty {:.2}){where_at}: off by {:+.2}.",
        job.reference.word(),
        reference.value,
        reference.uncertainty,
        settled.reading - reference.value
    ))?;
    let of_gain = if fit.points > 1 {
        format!(", gain {:.4} (standard uncertainty {:.4}), from {} points", fit.gain, fit.gain_uncertainty, fit.points)
    } else {
        ", one point: it holds near here only".to_owned()
    };
    voice.say(format!(
        "Offset {:+.2} {unit} (standard uncertainty {:.2}){of_gain}.",
        fit.offset, fit.offset_uncertainty
    ))?;
    if job.setup.correction.iter().any(|correction| *correction != Correction::default()) {
        voice.say("A correction stands in the config already: put this line in its place, or under its heading.")?;
    }
    voice.say("")?;
    let made = local_day(site.now, site.plan.timezone).to_string();
    voice.say(config_lines(&job.setup.name, job.quantity, &fit, &made).trim_end())?;
    voice.say("")?;
    voice.say(format!(
        "For two points, calibrate at another reference with --earlier {:.3}:{:.3}:{:.3}:{:.3}",
        point.reading, point.reading_uncertainty, reference.value, reference.uncertainty
    ))
}
