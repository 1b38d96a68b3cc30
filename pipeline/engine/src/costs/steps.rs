//! Habitat of the cells of a tile in a row of variants, as bits.

use super::Facts;

/// Habitat by cell and step; at most 64 steps.
pub struct Steps {
    count: usize,
    habitat: Vec<u64>,
    known: Vec<bool>,
}

impl Steps {
    /// A tile of so many cells.
    pub fn new(count: usize, cells: usize) -> Self {
        Steps { count, habitat: vec![0; cells], known: vec![true; cells] }
    }

    /// How many steps.
    pub fn count(&self) -> usize {
        self.count
    }

    /// Takes the habitat at a step: by cell, `None` where it is not assessed.
    pub fn see(&mut self, step: usize, facts: &Facts, habitat: &dyn Fn(usize) -> Option<bool>) {
        for cell in (0..self.habitat.len()).filter(|cell| facts.compared[*cell]) {
            match habitat(cell) {
                Some(is) => self.habitat[cell] |= u64::from(is) << step,
                None => self.known[cell] = false,
            }
        }
    }

    /// Cells compared and assessed at every step.
    pub fn cells<'s>(&'s self, facts: &'s Facts) -> impl Iterator<Item = usize> + 's {
        (0..self.habitat.len()).filter(|cell| facts.compared[*cell] && self.known[*cell])
    }

    /// Whether a cell is habitat at a step.
    pub fn is(&self, cell: usize, step: usize) -> bool {
        self.habitat[cell] >> step & 1 == 1
    }

    /// The first step at which a cell is no habitat.
    pub fn first_without(&self, cell: usize) -> Option<usize> {
        (0..self.count).find(|step| !self.is(cell, *step))
    }

    /// The first step from `from` on at which a cell is habitat.
    pub fn first_with(&self, cell: usize, from: usize) -> Option<usize> {
        (from..self.count).find(|step| self.is(cell, *step))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn first_steps_with_and_without() {
        let of = |habitat: u64| Steps { count: 4, habitat: vec![habitat], known: vec![true] };
        assert_eq!(of(0b0000).first_without(0), Some(0));
        assert_eq!(of(0b1110).first_without(0), Some(0));
        assert_eq!(of(0b0001).first_without(0), Some(1));
        // comes back at the last step: still the first one without
        assert_eq!(of(0b1011).first_without(0), Some(2));
        assert_eq!(of(0b1111).first_without(0), None);
        assert_eq!((of(0b1010).first_with(0, 1), of(0b1000).first_with(0, 1)), (Some(1), Some(3)));
        assert_eq!(of(0b0001).first_with(0, 1), None);
    }
}
