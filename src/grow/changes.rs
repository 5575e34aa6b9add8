//! What an amendment may change beyond the time, the masses of a picking and a text.
//!
//! In: what was named. Out: the changes, and to which deeds they can be made. Left out: whether the words
//! are known (`check`).

use serde::{Deserialize, Serialize};

use super::logbook::Deed;

/// Fields of a spawning, a picking or an end, as they should have been. `None`: as it was.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Changes {
    /// Of a spawning.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub culture: Option<String>,
    /// Of a spawning.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// Of a spawning, litres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grain_l: Option<f64>,
    /// Of a spawning, litres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bulk_l: Option<f64>,
    /// Of a spawning, grams.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dry_bulk_g: Option<f64>,
    /// Of a spawning, grams.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dry_grain_g: Option<f64>,
    /// Of a spawning.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<String>,
    /// Of a spawning.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub strain: Option<String>,
    /// Of a spawning.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// Of a spawning.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
    /// Of a picking, from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flush: Option<u32>,
    /// Of an end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub because: Option<String>,
}

impl Changes {
    /// Nothing is to change.
    pub fn is_empty(&self) -> bool {
        *self == Changes::default()
    }

    /// These, and what `earlier` names where these do not.
    pub(super) fn over(self, earlier: Changes) -> Changes {
        Changes {
            culture: self.culture.or(earlier.culture),
            kind: self.kind.or(earlier.kind),
            grain_l: self.grain_l.or(earlier.grain_l),
            bulk_l: self.bulk_l.or(earlier.bulk_l),
            dry_bulk_g: self.dry_bulk_g.or(earlier.dry_bulk_g),
            dry_grain_g: self.dry_grain_g.or(earlier.dry_grain_g),
            run: self.run.or(earlier.run),
            strain: self.strain.or(earlier.strain),
            batch: self.batch.or(earlier.batch),
            position: self.position.or(earlier.position),
            flush: self.flush.or(earlier.flush),
            because: self.because.or(earlier.because),
        }
    }

    /// Why they cannot be made to `target`, if they cannot.
    pub(super) fn misfit(&self, target: &Deed) -> Option<&'static str> {
        let of_spawning = Changes { flush: None, because: None, ..self.clone() };
        match target {
            _ if !of_spawning.is_empty() && !matches!(target, Deed::Spawned(_)) => Some(
                "only a spawning has a culture, a kind, volumes, dry substrate, a heat run, a strain, a batch and a position",
            ),
            _ if self.flush.is_some() && !matches!(target, Deed::Harvested { .. }) => {
                Some("only a harvest has a flush")
            }
            _ if self.because.is_some() && !matches!(target, Deed::Discarded { .. }) => {
                Some("only an end has a reason")
            }
            _ => None,
        }
    }

    /// Makes them to `deed`.
    pub(super) fn apply(self, deed: &mut Deed) {
        match deed {
            Deed::Spawned(spawning) => {
                spawning.culture = self.culture.unwrap_or(std::mem::take(&mut spawning.culture));
                spawning.kind = self.kind.unwrap_or(std::mem::take(&mut spawning.kind));
                spawning.grain_l = self.grain_l.or(spawning.grain_l);
                spawning.bulk_l = self.bulk_l.or(spawning.bulk_l);
                spawning.dry_bulk_g = self.dry_bulk_g.or(spawning.dry_bulk_g);
                spawning.dry_grain_g = self.dry_grain_g.or(spawning.dry_grain_g);
                spawning.run = self.run.or(spawning.run.take());
                spawning.strain = self.strain.or(spawning.strain.take());
                spawning.batch = self.batch.or(spawning.batch.take());
                spawning.position = self.position.or(spawning.position.take());
            }
            Deed::Harvested { flush, .. } => *flush = self.flush.or(*flush),
            Deed::Discarded { because } => *because = self.because.unwrap_or(std::mem::take(because)),
            _ => {}
        }
    }
}
