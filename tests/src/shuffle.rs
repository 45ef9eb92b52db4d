//! Orders from a seed: the same seed gives the same order, on every machine.

/// A small generator (SplitMix64, as published by Steele, Lea and Flood in 2014; from memory).
#[derive(Clone, Debug)]
pub struct Random(u64);

impl Random {
    /// A generator that starts from a seed.
    pub fn new(seed: u64) -> Random {
        Random(seed)
    }

    /// The next number.
    pub fn draw(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `end`.
    pub fn below(&mut self, end: usize) -> usize {
        let end = u64::try_from(end).expect("a length fits 64 bits");
        usize::try_from(self.draw() % end).expect("below a usize")
    }

    /// Puts the items into a random order.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            items.swap(last, self.below(last + 1));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shuffle_keeps_all_and_follows_its_seed() {
        let shuffled = |seed| {
            let mut items: Vec<u32> = (0..100).collect();
            Random::new(seed).shuffle(&mut items);
            items
        };
        assert_eq!(shuffled(7), shuffled(7));
        assert_ne!(shuffled(7), shuffled(8));
        let mut sorted = shuffled(7);
        sorted.sort_unstable();
        assert_eq!(sorted, (0..100).collect::<Vec<_>>());
    }
}
