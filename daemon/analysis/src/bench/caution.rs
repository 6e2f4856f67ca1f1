//! The cautions of a bench test, as data: terminal, page and report show the same sentences, and nothing is started before a
//! person has acknowledged them.

/// One caution: the few words that catch the eye, and the rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caution {
    /// A short name for it, for an API.
    pub key: &'static str,
    /// In a few words.
    pub head: &'static str,
    /// In full.
    pub text: &'static str,
}

/// Who may do this at all; stands above the cautions.
pub const WHO: &str = "For qualified persons, under your local code and your employer's rules. Nightclamp measures; it switches \
                       nothing and protects nobody: you do.";

/// All of them, in the order in which they are shown.
pub const CAUTIONS: [Caution; 13] = [
    Caution {
        key: "isolate",
        head: "Isolate, lock out, prove dead, discharge capacitors",
        text: "before you touch anything, and before every reading with the ohmmeter. Do not rely on a control or an interlock \
               as isolation. A protector that is open is no isolation either: it closes again by itself.",
    },
    Caution {
        key: "case-live",
        head: "The protector's case counts as live, and so does the bead on it.",
        text: "Use a mains-rated isolated front end and beads with mains-rated insulation, fit and remove them with the supply \
               off. An isolated USB lead alone does not part beads from each other.",
    },
    Caution {
        key: "one-conductor",
        head: "One conductor in the clamp.",
        text: "Clamp sensors for uninsulated conductors are marked for it; others are not for that.",
    },
    Caution {
        key: "cover-on",
        head: "Never energise a hermetic compressor with its terminal cover off:",
        text: "terminal pins can be ejected with burning oil and refrigerant. Keep the cover on and stand to the side.",
    },
    Caution {
        key: "earth-fault",
        head: "Never with an earth fault.",
        text: "Measure the windings to earth first. A tripped breaker or an open fuse is a strong sign of an earth fault.",
    },
    Caution {
        key: "cover-counts",
        head: "Results without the cover do not count:",
        text: "air over an uncovered protector makes it trip later and reset sooner, as well as being dangerous.",
    },
    Caution {
        key: "heats",
        head: "Each locked-rotor run heats the winding and can ruin it.",
        text: "Few repeats, and time to cool between them; stay by the isolator while current flows.",
    },
    Caution {
        key: "switch-off",
        head: "If it does not open in the time you gave, switch off at once.",
        text: "You are told when that is so; do not wait to be told if something smells, smokes or sounds wrong.",
    },
    Caution {
        key: "flammable",
        head: "Flammable refrigerants:",
        text: "check for leaks and ventilate before anything that can spark, discharge capacitors without sparking, keep covers \
               on.",
    },
    Caution {
        key: "never-bridge",
        head: "Never bridge a protector,",
        text: "not for a moment.",
    },
    Caution {
        key: "comes-back",
        head: "Current comes back by itself",
        text: "when the protector closes. Keep hands, tools and leads off until the supply is isolated and proved dead.",
    },
    Caution {
        key: "hot-parts",
        head: "Hot parts:",
        text: "a compressor's shell runs at 50 °C and more, and above 100 °C when the protector opens. A load that stands in for \
               the compressor gets hot too.",
    },
    Caution {
        key: "safe-load",
        head: "A load that stands in for the compressor",
        text: "must be rated for this current for as long as the test may last, with its own fuse.",
    },
];
