//! What holds for any logbook.

use chrono_tz::Europe::Lisbon;
use proptest::prelude::*;

use tubwatch::grow::logbook::{Deed, Entry, check, fold, tubs};
use tubwatch::grow::moment::Moment;

use crate::typed::{OPEN, Typed, at, discard, harvest, known, spawning};

/// Deeds in a sensible order, each at its own minute.
fn story() -> impl Strategy<Value = Vec<(i64, Deed)>> {
    let deed = prop_oneof![
        Just(Deed::Looked),
        Just(Deed::Colonised),
        Just(OPEN),
        Just(Deed::Closed),
        Just(Deed::Pins),
        (1.0..500.0_f64).prop_map(|grams| harvest(grams.round(), None)),
        (1.0..500.0_f64, 1..4_u32).prop_map(|(grams, flush)| harvest(grams.round(), Some(flush))),
        Just(Deed::Rested),
        Just(Deed::Soaked),
        Just(Deed::Moved { to: "tent".to_owned() }),
        Just(Deed::Core { probe: Some("core-a1".to_owned()) }),
        Just(Deed::Core { probe: None }),
        Just(discard("spent")),
    ];
    proptest::collection::btree_map(1..40_000_i64, deed, 0..25).prop_map(|map| map.into_iter().collect())
}

proptest! {
    /// Entries of different times give the same tubs whatever the order they were typed in.
    #[test]
    fn the_order_of_typing_does_not_matter(story in story(), seed in any::<u64>()) {
        let start = at("2026-11-18 10:00");
        let entry = |id: i64, minute: i64, deed: Deed| Entry {
            id, written_at: start, at: start.plus(minute * 60_000), tub: "A1-2026-11-18".to_owned(), deed,
        };
        let mut turns: Vec<(i64, Deed)> = story;
        turns.insert(0, (0, spawning("A1", None)));
        let in_order: Vec<Entry> =
            turns.iter().enumerate().map(|(id, (minute, deed))| entry(id as i64 + 1, *minute, deed.clone())).collect();
        // A shuffle by a small linear congruence: proptest's own would hide the seed.
        let mut state = seed;
        for place in (1..turns.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            turns.swap(place, (state >> 33) as usize % (place + 1));
        }
        let mixed: Vec<Entry> =
            turns.iter().enumerate().map(|(id, (minute, deed))| entry(id as i64 + 1, *minute, deed.clone())).collect();
        prop_assert_eq!(tubs(&in_order, Lisbon), tubs(&mixed, Lisbon));
    }

    /// What `check` lets through, the fold takes: a logbook written through it has no oddities.
    #[test]
    fn what_is_allowed_never_turns_odd(story in story()) {
        let mut typed = Typed::spawned();
        for (minute, deed) in story {
            let when = Moment::exact(at("2026-11-18 10:00").plus(minute * 60_000));
            if let Ok(resolved) = check(&typed.0, "A1", &deed, when, &known()) {
                let id = typed.0.len() as i64 + 1;
                typed.0.push(Entry { id, written_at: when.at, at: resolved.at, tub: resolved.tub, deed: resolved.deed });
            }
        }
        prop_assert!(typed.odd().is_empty());
        let tub = typed.tub();
        prop_assert_eq!(tub.harvests.len(), tub.flushes.iter().map(|flush| flush.harvests.len()).sum::<usize>());
        prop_assert!(tub.stages.windows(2).all(|pair| pair[0].from <= pair[1].from && pair[0].value != pair[1].value));
    }

    /// Any entries at all, amendments among them, fold without a panic.
    #[test]
    fn nonsense_folds(targets in proptest::collection::vec((-2..30_i64, any::<bool>(), any::<Option<i64>>()), 0..30)) {
        let mut typed = Typed::spawned();
        for (target, void, at_ms) in targets {
            typed.log("2026-12-01 10:00", Deed::Amended { entry: target, void, at_ms, fresh_g: None, dry_g: None, text: None, more: Box::default() });
        }
        let book = fold(&typed.0, Lisbon);
        prop_assert_eq!(book.lines.len(), typed.0.len());
        for tub in &book.tubs {
            let when = Moment::exact(tub.spawned_at);
            let _ = check(&typed.0, "A1", &Deed::Looked, when, &known());
        }
    }
}
