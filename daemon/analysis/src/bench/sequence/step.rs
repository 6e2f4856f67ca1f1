//! Where a bench test stands.

/// Where the test stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Step {
    /// The cautions have to be read and acknowledged.
    Cautions,
    /// The cold resistance is due.
    ColdReading,
    /// Sensors are looked at with no current.
    AtRest,
    /// Waits for current.
    Ready,
    /// Current flows; it has to open.
    Heating,
    /// It should have opened and has not.
    TooLong,
    /// It has opened; the case goes on warming.
    Overshoot,
    /// The case cools; it has to close.
    Cooling,
    /// It should have closed and has not.
    NotClosing,
    /// It has closed, or the test is over; the current has to be switched off.
    SwitchOff,
    /// No current until the next run.
    Resting,
    /// The resistance is due while it is open.
    HotReading,
    /// The resistance is due when it has cooled.
    CooledReading,
    /// Over.
    Finished,
    /// Stopped by a person, or because it did not open.
    Aborted,
}

impl Step {
    /// A short name for it, for an API.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Cautions => "cautions",
            Self::ColdReading => "cold-reading",
            Self::AtRest => "at-rest",
            Self::Ready => "ready",
            Self::Heating => "heating",
            Self::TooLong => "too-long",
            Self::Overshoot => "overshoot",
            Self::Cooling => "cooling",
            Self::NotClosing => "not-closing",
            Self::SwitchOff => "switch-off",
            Self::Resting => "resting",
            Self::HotReading => "hot-reading",
            Self::CooledReading => "cooled-reading",
            Self::Finished => "finished",
            Self::Aborted => "aborted",
        }
    }

    /// Whether current is as it should be in this step.
    pub(super) const fn expects_current(self) -> bool {
        matches!(
            self,
            Self::Ready
                | Self::Heating
                | Self::TooLong
                | Self::Overshoot
                | Self::Cooling
                | Self::NotClosing
                | Self::SwitchOff
        )
    }
}
