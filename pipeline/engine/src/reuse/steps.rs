//! The steps whose parts are kept, in the order in which a run takes them.

/// A step that works window by window.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Step {
    /// The record of water.
    Water,
    /// The ground of pools that may have a level.
    Beds,
    /// What was seen of their level.
    Levels,
    /// What cells of a group are expected to answer.
    Priors,
    /// The fit of every cell.
    Response,
    /// How far the fits can be trusted.
    Quality,
    /// The ground of pools that may have a curve.
    PoolGround,
    /// What was seen on it.
    PoolWater,
    /// The water of one scenario.
    Scenario,
    /// Yearly measures of the record.
    Years,
    /// Suitability and change.
    Habitat,
    /// Steps of drying, surface, causes.
    Costs,
    /// Habitat of past years.
    Past,
    /// Members of uncertainty.
    Members,
    /// What counts most among what is not known.
    Sensitivity,
}

impl Step {
    /// All of them, in order.
    pub const ALL: [Step; 15] = [
        Step::Water,
        Step::Beds,
        Step::Levels,
        Step::Priors,
        Step::Response,
        Step::Quality,
        Step::PoolGround,
        Step::PoolWater,
        Step::Scenario,
        Step::Years,
        Step::Habitat,
        Step::Costs,
        Step::Past,
        Step::Members,
        Step::Sensitivity,
    ];

    /// Whether it is one small part of a run and no pass over tiles: no share of it is dealt out, and whoever lacks it works it out.
    pub fn is_small(self) -> bool {
        matches!(self, Step::Priors | Step::Quality)
    }

    /// Its name in the store.
    pub fn word(self) -> &'static str {
        match self {
            Step::Water => "water",
            Step::Beds => "pool-beds",
            Step::Levels => "pool-levels",
            Step::Priors => "priors",
            Step::Response => "response",
            Step::Quality => "quality",
            Step::PoolGround => "pool-ground",
            Step::PoolWater => "pool-water",
            Step::Scenario => "scenario",
            Step::Years => "record-years",
            Step::Habitat => "habitat",
            Step::Costs => "drying",
            Step::Past => "past-years",
            Step::Members => "members",
            Step::Sensitivity => "sensitivity",
        }
    }

    /// What it does, for people.
    pub fn title(self) -> &'static str {
        match self {
            Step::Water => "reading water",
            Step::Beds => "reading the beds of pools",
            Step::Levels => "gathering the levels of pools",
            Step::Priors => "finding priors",
            Step::Response => "fitting the response",
            Step::Quality => "judging the response",
            Step::PoolGround => "reading the ground of pools",
            Step::PoolWater => "gathering the water of pools",
            Step::Scenario => "answering the scenarios",
            Step::Years => "counting years",
            Step::Habitat => "scoring habitat",
            Step::Costs => "finding what drying costs",
            Step::Past => "looking back",
            Step::Members => "computing members",
            Step::Sensitivity => "finding what counts most",
        }
    }
}
