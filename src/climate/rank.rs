//! Rank correlation: whether one figure tends to rise with another, whatever the shape.
//!
//! In: pairs. Out: Spearman's coefficient. Left out: significance; with a handful of tubs it would only lend a
//! guess the look of a proof.

/// Spearman's rank correlation of pairs, -1..=1: Pearson's coefficient of their ranks, equal values sharing the
/// mean of their ranks (C. Spearman, Am. J. Psychol. 15 (1904) 72-101). `None` under three pairs, where one side
/// is all the same, or where anything is no number.
pub fn spearman(pairs: &[(f64, f64)]) -> Option<f64> {
    if pairs.len() < 3 || pairs.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return None;
    }
    let ranks_x = ranks(pairs.iter().map(|pair| pair.0).collect());
    let ranks_y = ranks(pairs.iter().map(|pair| pair.1).collect());
    let mean = (pairs.len() as f64 + 1.0) / 2.0;
    let products = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>();
    let spread = (products(&ranks_x, &ranks_x) * products(&ranks_y, &ranks_y)).sqrt();
    (spread > 0.0).then(|| products(&ranks_x, &ranks_y) / spread)
}

/// Each value's rank from 1, ties sharing their mean.
fn ranks(values: Vec<f64>) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut first = 0;
    while first < order.len() {
        let same = order[first..].iter().take_while(|place| values[**place] == values[order[first]]).count();
        let shared = first as f64 + (same as f64 + 1.0) / 2.0;
        for place in &order[first..first + same] {
            ranks[*place] = shared;
        }
        first += same;
    }
    ranks
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn known_examples() {
        // Ten people's IQ and hours of television: -29/165 (the worked example of the encyclopaedia article on
        // Spearman's coefficient, from memory; recomputed by 1 - 6 sum d^2 / (n (n^2 - 1)) with sum d^2 = 194).
        let iq = [106.0, 100.0, 86.0, 101.0, 99.0, 103.0, 97.0, 113.0, 112.0, 110.0];
        let hours = [7.0, 27.0, 2.0, 50.0, 28.0, 29.0, 20.0, 12.0, 6.0, 17.0];
        let pairs: Vec<_> = iq.into_iter().zip(hours).collect();
        assert!((spearman(&pairs).unwrap() + 29.0 / 165.0).abs() < 1e-12);
        // Ties by hand: ranks 1, 2.5, 2.5, 4 against 1, 2, 3, 4: 4.5 / sqrt(4.5 * 5).
        let tied = [(1.0, 1.0), (2.0, 2.0), (2.0, 3.0), (9.0, 4.0)];
        assert!((spearman(&tied).unwrap() - 4.5 / 22.5_f64.sqrt()).abs() < 1e-12);
        assert_eq!(spearman(&[(1.0, 5.0), (2.0, 4.0), (3.0, -1.0)]), Some(-1.0));
    }

    #[test]
    fn nothing_is_made_of_nothing() {
        assert_eq!(spearman(&[(1.0, 1.0), (2.0, 2.0)]), None);
        assert_eq!(spearman(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
        assert_eq!(spearman(&[(f64::NAN, 1.0), (1.0, 2.0), (2.0, 3.0)]), None);
    }
}
