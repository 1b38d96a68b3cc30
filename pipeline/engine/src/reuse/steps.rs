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
    /// The fit of every cell.
    Response,
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
    pub const ALL: [Step; 13] = [
        Step::Water,
        Step::Beds,
        Step::Levels,
        Step::Response,
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

    /// Its name in the store.
    pub fn word(self) -> &'static str {
        match self {
            Step::Water => "water",
            Step::Beds => "pool-beds",
            Step::Levels => "pool-levels",
            Step::Response => "response",
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
            Step::Response => "fitting the response",
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
