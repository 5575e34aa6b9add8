//! Whatever comes: no panic, nothing raised by a value that is not believed, everything bounded.

use proptest::prelude::*;

use crate::bench::*;

/// Probe, seconds since the sample before, seconds by which it is late, value, quality code.
fn any_sample() -> impl Strategy<Value = (usize, i64, i64, f64, u8)> {
    let value = prop_oneof![3 => 10.0..45.0f64, 1 => Just(85.0), 1 => Just(-127.0), 1 => any::<f64>()];
    (0usize..6, 0i64..4000, prop_oneof![3 => Just(0i64), 1 => -7200i64..7200], value, 0u8..40)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_samples_panic_and_no_bad_value_raises(samples in prop::collection::vec(any_sample(), 0..300)) {
        let mut bench = Bench::new(vec![
            tub("A1", "shelf", Stage::Colonising, Some("core-a1")),
            tub("A2", "shelf", Stage::Colonising, None),
            tub("B1", "tent", Stage::Fruiting, None),
        ]);
        for (probe, step, late, value, code) in samples {
            bench.now = bench.now.plus(step * SECOND);
            let values = [Some(value), Some(value), Some(value * 100.0), Some(value)];
            let quality = match Quality::from_code(code) {
                Some(quality) => [quality; 4],
                None => [0, 1, 2, 3].map(|index| on_arrival(Quantity::ALL[index], values[index].unwrap())),
            };
            let at = bench.now.plus(-late * SECOND);
            bench.keeper.sample(probe, at, &values, quality, bench.now, &mut bench.told);
            bench.keeper.tick(bench.now, &mut bench.told);
            prop_assert!(bench.keeper.alerts().count() <= 60);
        }
        for event in &bench.told {
            if let (Some(value), Some(_)) = (event.alert.value, event.alert.limit) {
                let quantity = match event.alert.watch {
                    Watch::Humidity => Quantity::Humidity,
                    Watch::Co2 | Watch::Co2ForPeople => Quantity::Co2,
                    Watch::CoreTemperature | Watch::Temperature | Watch::HeatingAhead => Quantity::Temperature,
                    Watch::Battery => Quantity::Battery,
                    _ => continue,
                };
                prop_assert_eq!(on_arrival(quantity, value), Quality::Good);
            }
            prop_assert!(!event.alert.text.is_empty());
        }
        for id in ["A1-2026-11-11", "A2-2026-11-11", "B1-2026-11-11"] {
            let figures = bench.keeper.tub_view(id, bench.now).unwrap().figures.unwrap();
            prop_assert!(figures.degree_hours.is_finite());
        }
    }

    #[test]
    fn values_of_bad_quality_raise_nothing_but_doubt(values in prop::collection::vec((1i64..600, any::<f64>(), 1u8..8), 0..200)) {
        let mut bench = Bench::new(colonising());
        for (step, value, code) in values {
            bench.now = bench.now.plus(step * SECOND);
            let quality = [Quality::from_code(code).unwrap(); 4];
            for probe in 0..4 {
                bench.keeper.sample(probe, bench.now, &[Some(value); 4], quality, bench.now, &mut bench.told);
            }
        }
        // That the probe says nonsense is told; nothing is made of what it says.
        prop_assert!(bench.told.iter().all(|event| event.alert.subject.starts_with("probe ")), "{:?}", bench.told);
    }
}
