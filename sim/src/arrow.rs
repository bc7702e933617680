//! Linear equations of the network, solved by their known structure.
//!
//! Five variables are weakly coupled: the hose only to the line, each wall only to its own gas, the creep only to two
//! pressures; and none of the five to another. They are eliminated by hand, which leaves six equations in the masses
//! and energies of the three nodes. A full factorisation of all eleven took nine times the arithmetic, most of it on
//! zeros.
//!
//! The elimination of the five needs no pivoting: each has a positive diagonal (`shift` plus what drains it), and each
//! reduces the diagonal it is added to only as a series of two conductances reduces one. The six are pivoted, with
//! energies in units of the energy of a kilogram at the reference temperature so that rows can be compared. (The full
//! factorisation compared kilograms with joules, and left residues of 2e-9 of the terms where this leaves rounding.)

use crate::gas;
use crate::network::{CREEP, HOSE, N, NODES, Node, OUTER};
use crate::rodas::Factors;

/// Masses and energies.
const CORE: usize = 6;

/// Energy of a kilogram at the reference temperature, J: the unit of energy here.
const UNIT: f64 = gas::CV * gas::T_REF;

/// Units of the six variables, and their reciprocals.
const UNITS: [f64; CORE] = [1.0, UNIT, 1.0, UNIT, 1.0, UNIT];
const PER_UNIT: [f64; CORE] = [1.0, 1.0 / UNIT, 1.0, 1.0 / UNIT, 1.0, 1.0 / UNIT];

/// A pivot this many times smaller than the largest below it is skipped.
const POOR: f64 = 10.0;

/// `shift·I − J`, factorised.
#[derive(Clone, Debug)]
pub struct Arrow {
    /// Inverse diagonal of hose, walls and creep.
    inverse: [f64; OUTER],
    /// The hose's row and column in line mass and line energy.
    hose: Border,
    /// Each wall's row in its own mass and energy, and its column in that energy.
    wall: [([f64; 2], f64); 3],
    /// The creep's row in line energy and far energy, and its column in everything.
    creep: ([f64; 2], [f64; CORE]),
    /// The six, by columns, with their inverse pivots and swaps.
    core: [[f64; CORE]; CORE],
    pivot: [f64; CORE],
    swaps: [u8; CORE],
    swapped: bool,
}

#[derive(Clone, Copy, Debug)]
struct Border {
    row: [f64; 2],
    column: [f64; 2],
}

/// Line energy and far energy among the six.
const LINE_ENERGY: usize = Node::Line.energy() - OUTER;
const FAR_ENERGY: usize = Node::Far.energy() - OUTER;

impl Factors<N> for Arrow {
    const EMPTY: Self = Self {
        inverse: [0.0; OUTER],
        hose: Border { row: [0.0; 2], column: [0.0; 2] },
        wall: [([0.0; 2], 0.0); 3],
        creep: ([0.0; 2], [0.0; CORE]),
        core: [[0.0; CORE]; CORE],
        pivot: [0.0; CORE],
        swaps: [0; CORE],
        swapped: false,
    };

    fn factor(&mut self, jac: &[[f64; N]; N], shift: f64) -> bool {
        for (i, inverse) in self.inverse.iter_mut().enumerate() {
            *inverse = 1.0 / (shift - jac[i][i]);
        }
        // Everything negated as in shift·I − J, and in units of mass.
        let mut core = [[0.0; CORE]; CORE];
        for (j, column) in core.iter_mut().enumerate() {
            for (i, x) in column.iter_mut().enumerate() {
                *x = -jac[OUTER + i][OUTER + j] * (PER_UNIT[i] * UNITS[j]);
            }
            column[j] += shift;
        }
        const LINE: Node = Node::Line;
        self.hose = Border {
            row: [-jac[HOSE][LINE.mass()], -jac[HOSE][LINE.energy()] * UNIT],
            column: [-jac[LINE.mass()][HOSE], -jac[LINE.energy()][HOSE] * PER_UNIT[1]],
        };
        for (j, row) in self.hose.row.iter().enumerate() {
            let u = row * self.inverse[HOSE];
            for (i, column) in self.hose.column.iter().enumerate() {
                core[j][i] -= column * u;
            }
        }
        for (node, wall) in NODES.into_iter().zip(&mut self.wall) {
            let (w, m, e) = (node.wall(), node.mass(), node.energy());
            *wall = ([-jac[w][m], -jac[w][e] * UNIT], -jac[e][w] * PER_UNIT[1]);
            let l = wall.1 * self.inverse[w];
            core[m - OUTER][e - OUTER] -= l * wall.0[0];
            core[e - OUTER][e - OUTER] -= l * wall.0[1];
        }
        self.creep.0 = [-jac[CREEP][LINE.energy()] * UNIT, -jac[CREEP][Node::Far.energy()] * UNIT];
        for (i, x) in self.creep.1.iter_mut().enumerate() {
            *x = -jac[OUTER + i][CREEP] * PER_UNIT[i];
        }
        for (j, row) in [LINE_ENERGY, FAR_ENERGY].into_iter().zip(self.creep.0) {
            let u = row * self.inverse[CREEP];
            for (x, column) in core[j].iter_mut().zip(&self.creep.1) {
                *x -= column * u;
            }
        }
        self.core = core;
        self.factor_core()
    }

    #[inline]
    fn solve(&self, x: &mut [f64; N]) {
        let mut c: [f64; CORE] = core::array::from_fn(|i| x[OUTER + i] * PER_UNIT[i]);
        let mut first: [f64; OUTER] = core::array::from_fn(|i| x[i] * self.inverse[i]);
        c[0] -= self.hose.column[0] * first[HOSE];
        c[1] -= self.hose.column[1] * first[HOSE];
        for (node, wall) in NODES.into_iter().zip(&self.wall) {
            c[node.energy() - OUTER] -= wall.1 * first[node.wall()];
        }
        for (c, column) in c.iter_mut().zip(&self.creep.1) {
            *c -= column * first[CREEP];
        }
        self.solve_core(&mut c);
        let hose = self.hose.row;
        first[HOSE] -= self.inverse[HOSE] * (hose[0] * c[0] + hose[1] * c[1]);
        for (node, (row, _)) in NODES.into_iter().zip(&self.wall) {
            let (w, m, e) = (node.wall(), node.mass() - OUTER, node.energy() - OUTER);
            first[w] -= self.inverse[w] * (row[0] * c[m] + row[1] * c[e]);
        }
        let creep = self.creep.0;
        first[CREEP] -= self.inverse[CREEP] * (creep[0] * c[LINE_ENERGY] + creep[1] * c[FAR_ENERGY]);
        x[..OUTER].copy_from_slice(&first);
        for (i, c) in c.iter().enumerate() {
            x[OUTER + i] = c * UNITS[i];
        }
    }
}

#[allow(clippy::needless_range_loop, reason = "rows and columns are clearer by their numbers")]
impl Arrow {
    fn factor_core(&mut self) -> bool {
        let a = &mut self.core;
        self.swapped = false;
        for k in 0..CORE {
            let mut best = k;
            let mut largest = a[k][k].abs() * POOR;
            for i in k + 1..CORE {
                let size = a[k][i].abs();
                if size > largest {
                    (best, largest) = (i, size);
                }
            }
            self.swaps[k] = best as u8;
            if best != k {
                self.swapped = true;
                for column in a.iter_mut() {
                    column.swap(best, k);
                }
            }
            let pivot = a[k][k];
            if pivot == 0.0 || !pivot.is_finite() {
                return false;
            }
            let inverse = 1.0 / pivot;
            self.pivot[k] = inverse;
            for i in k + 1..CORE {
                a[k][i] *= inverse;
            }
            for j in k + 1..CORE {
                let u = a[j][k];
                for i in k + 1..CORE {
                    a[j][i] -= a[k][i] * u;
                }
            }
        }
        true
    }

    #[inline]
    fn solve_core(&self, c: &mut [f64; CORE]) {
        if self.swapped {
            for (k, with) in self.swaps.iter().enumerate() {
                c.swap(k, usize::from(*with) % CORE);
            }
        }
        for j in 0..CORE {
            for i in j + 1..CORE {
                c[i] -= self.core[j][i] * c[j];
            }
        }
        for j in (0..CORE).rev() {
            c[j] *= self.pivot[j];
            for i in 0..j {
                c[i] -= self.core[j][i] * c[j];
            }
        }
    }
}
