//! The scenes file as the engine uses it: defaults filled in, names resolved, paths absolute.

use crate::Month;
use crate::settings::GridSettings;
use crate::source::Source;
use std::path::PathBuf;

/// A resolved scenes file.
#[derive(Clone, Debug)]
pub struct Scenes {
    /// The file itself, for the place of problems met later.
    pub source: Source,
    /// The folder paths start from, absolute.
    pub folder: PathBuf,
    /// The grid of the masks.
    pub grid: GridSettings,
    /// Where the scenes are.
    pub find: Find,
    /// The two bands of the index, then the quality band if there is one.
    pub bands: Vec<Band>,
    /// What makes a cell not seen; empty without a quality band.
    pub rules: Vec<Rule>,
    /// What tells water.
    pub index: Index,
    /// Where plants hide water.
    pub hidden: Option<Hidden>,
    /// First month used.
    pub first: Option<Month>,
    /// Last month used.
    pub last: Option<Month>,
}

/// Where scenes are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Find {
    /// A pattern, absolute; {band} still in it.
    Pattern(String),
    /// A STAC item collection, an item or a folder of items.
    Items(PathBuf),
}

/// One band that is needed.
#[derive(Clone, Debug, PartialEq)]
pub struct Band {
    /// Its name in the file.
    pub name: String,
    /// What stands for {band}, or the asset key; `None` if only the number tells it.
    pub token: Option<String>,
    /// Number in the file, from 1.
    pub number: usize,
    /// Values are multiplied by this.
    pub scale: f64,
    /// Then this is added.
    pub offset: f64,
    /// Stored values that mean no data, besides what the file declares.
    pub no_data: Vec<f64>,
}

/// What makes a cell not seen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Rule {
    /// Any of these bits is set.
    Any {
        /// The bits as a mask.
        mask: u32,
    },
    /// A run of bits, read as a number, lies from `low` to `high`.
    Number {
        /// Lowest bit of the run.
        first: u32,
        /// Bits in the run, 1 to 32.
        width: u32,
        /// Least number that meets the rule.
        low: u32,
        /// Greatest number that meets the rule.
        high: u32,
    },
    /// The whole value is one of these.
    Values(Vec<i32>),
}

impl Rule {
    /// Whether a quality value meets the rule.
    ///
    /// ```
    /// use lentic_study::scenes::settings::Rule;
    /// let high_confidence = Rule::Number { first: 5, width: 2, low: 3, high: 3 };
    /// assert!(high_confidence.meets(0b0110_0001) && !high_confidence.meets(0b0100_0001));
    /// ```
    pub fn meets(&self, value: i32) -> bool {
        // The same bits; codes above 2^31 come as negative numbers.
        let bits = value as u32;
        match self {
            Rule::Any { mask } => bits & mask != 0,
            Rule::Number { first, width, low, high } => {
                let number = (bits >> first) & (u32::MAX >> (32 - width));
                (*low..=*high).contains(&number)
            }
            Rule::Values(values) => values.contains(&value),
        }
    }
}

/// How two bands become one number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Formula {
    /// (first - second) / (first + second)
    Difference,
    /// first / second
    Ratio,
}

/// What tells water.
#[derive(Clone, Debug, PartialEq)]
pub struct Index {
    /// As tables name it: "NDWI", "MNDWI", or the formula.
    pub name: String,
    /// The formula of the first two bands.
    pub formula: Formula,
    /// Whether Otsu's threshold of each scene is tried.
    pub otsu: bool,
    /// The fixed threshold.
    pub fixed: f64,
}

/// Where plants hide water.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hidden {
    /// Raster of classes.
    pub file: PathBuf,
    /// Band, from 1.
    pub band: usize,
    /// Codes.
    pub codes: Vec<i32>,
}
