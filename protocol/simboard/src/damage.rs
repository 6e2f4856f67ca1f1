//! What a long or ill-routed cable does to lines.

use crate::dice::Dice;

/// Spoils one line (LF included) in one of the usual ways.
pub fn spoil(line: &mut Vec<u8>, dice: &mut Dice) {
    match dice.below(5) {
        0 => flip_bits(line, dice),
        1 => {
            line.pop(); // the LF is lost, the next line joins this one
        }
        2 => {
            let from = dice.below(line.len());
            let to = (from + 1 + dice.below(8)).min(line.len());
            line.drain(from..to);
        }
        3 => {
            for _ in 0..=dice.below(6) {
                let at = dice.below(line.len() + 1);
                line.insert(at, dice.bits() as u8);
            }
        }
        _ => {
            let at = dice.below(line.len());
            line[at] = 0;
        }
    }
}

fn flip_bits(line: &mut [u8], dice: &mut Dice) {
    for _ in 0..=dice.below(3) {
        let at = dice.below(line.len());
        line[at] ^= 1 << dice.below(8);
    }
}
