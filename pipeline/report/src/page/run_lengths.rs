//! Pictures of numbers as runs of equal ones, for keeping: how many, which, how many, which.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Writes the numbers as runs.
pub fn serialize<S: Serializer>(numbers: &[u32], serializer: S) -> Result<S::Ok, S::Error> {
    let runs = numbers.chunk_by(|a, b| a == b).map(|run| (run.len() as u64, run[0]));
    runs.collect::<Vec<(u64, u32)>>().serialize(serializer)
}

/// Reads runs back as numbers.
pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<u32>, D::Error> {
    let runs = Vec::<(u64, u32)>::deserialize(deserializer)?;
    Ok(runs.into_iter().flat_map(|(count, number)| (0..count).map(move |_| number)).collect())
}
