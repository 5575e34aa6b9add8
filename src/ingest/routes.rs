//! Which probes a topic is for, and which filters must be subscribed so that all of them are served.

use std::collections::HashMap;

use crate::config::Plan;
use crate::wire::topic;

/// The probes of one broker or intake by topic; each is named by its number among the source's probes.
#[derive(Debug, Default)]
pub(super) struct Routes {
    exact: HashMap<String, Vec<usize>>,
    wild: Vec<(String, usize)>,
    filters: Vec<String>,
}

impl Routes {
    /// The routes of the source at position `source`.
    pub(super) fn new(plan: &Plan, source: usize) -> Routes {
        let probes = plan.probes.iter().filter(|probe| probe.source == source);
        Routes::from_filters(probes.map(|probe| probe.topic.as_deref().unwrap_or_default()))
    }

    /// Routes of probes with these filters. One that is no filter serves nobody; it would make a
    /// broker drop the connection.
    fn from_filters<'a>(filters: impl Iterator<Item = &'a str>) -> Routes {
        let mut routes = Routes::default();
        for (at, filter) in filters.enumerate().filter(|(_, filter)| topic::is_valid(filter)) {
            if topic::is_wild(filter) {
                routes.wild.push((filter.to_owned(), at));
            } else {
                routes.exact.entry(filter.to_owned()).or_default().push(at);
            }
            routes.subscribe(filter);
        }
        routes
    }

    /// These, with `filters` subscribed as well, for nobody.
    pub(super) fn with(mut self, filters: &[&str]) -> Routes {
        filters.iter().for_each(|filter| self.subscribe(filter));
        self
    }

    /// Adds a filter, unless another covers it.
    fn subscribe(&mut self, filter: &str) {
        if !self.filters.iter().any(|wide| topic::covers(wide, filter)) {
            self.filters.retain(|narrow| !topic::covers(filter, narrow));
            self.filters.push(filter.to_owned());
        }
    }

    /// The filters to subscribe: none covers another.
    pub(super) fn filters(&self) -> &[String] {
        &self.filters
    }

    /// The probes that a message published to `topic` may be for.
    pub(super) fn of(&self, topic: &str) -> impl Iterator<Item = usize> {
        let exact = self.exact.get(topic).into_iter().flatten().copied();
        let wild = self.wild.iter().filter(move |(filter, _)| topic::matches(filter, topic)).map(|(_, at)| *at);
        exact.chain(wild)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probes_by_topic_and_filters_once() {
        let filters = ["tent/shelf", "tent/+", "tent/shelf", "cellar/air", "tent#", "", "+/air"];
        let routes = Routes::from_filters(filters.into_iter());
        assert_eq!(routes.filters(), ["tent/+", "+/air"]);
        let of = |topic| routes.of(topic).collect::<Vec<_>>();
        assert_eq!(of("tent/shelf"), [0, 2, 1]);
        assert_eq!(of("tent/air"), [1, 6]);
        assert_eq!(of("cellar/air"), [3, 6]);
        assert_eq!(of("attic"), [0; 0]);
    }
}
