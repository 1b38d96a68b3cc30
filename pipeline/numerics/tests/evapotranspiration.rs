//! Sun, day length and Thornthwaite's formula against published tables.
//! The tables are described in `data/README.md`.

mod common;

use common::{near, near_share, table};
use lentic_numerics::evapotranspiration::{
    MID_MONTH_DAY, Thornthwaite, day_length, extraterrestrial_radiation,
};

#[test]
fn tables_of_fao_56() {
    // FAO-56, annex 2, tables 2.6 and 2.7: printed to 0.1 for the 15th of the month; the tables themselves were made with
    // means over the month, hence 0.12 MJ and 0.06 h
    type Formula = fn(f64, u32) -> f64;
    let cases: [(&str, &str, Formula, f64); 2] = [
        ("fao56_table2_6_Ra.csv", "recomputed_eq21_15th", extraterrestrial_radiation, 0.12),
        ("fao56_table2_7_N.csv", "recomputed_eq34_15th", day_length, 0.06),
    ];
    for (name, recomputed, formula, tolerance) in cases {
        let data = table(name);
        assert!(data["published"].len() >= 100);
        for (i, published) in data["published"].iter().enumerate() {
            let day = MID_MONTH_DAY[data["month"][i] as usize - 1];
            assert_eq!(f64::from(day), data["J15"][i]);
            let found = formula(data["latitude_deg"][i], day);
            near(found, *published, tolerance);
            near(found, data[recomputed][i], 6e-7);
        }
    }
}

#[test]
fn a_year_by_thornthwaite() {
    // Thornthwaite 1948 written out in Python; no worked example with numbers was found in print
    let data = table("thornthwaite_40N.csv");
    let normals: [f64; 12] = data["T_C"].clone().try_into().unwrap();
    let place = Thornthwaite::new(normals, 40.0);
    near_share(place.heat_index, 56.674_588_022_616, 1e-13);
    near_share(place.exponent, 1.383_229_244_870, 1e-12);
    let mut year = 0.0;
    for (i, t) in normals.into_iter().enumerate() {
        near(place.unadjusted(t), data["PET_unadj_mm"][i], 6e-9);
        let month = place.month(t, i as u32 + 1, data["days"][i] as u32);
        near(month, data["PET_mm"][i], 6e-9);
        year += month;
    }
    near(year, 731.375_876, 5e-7);
}

#[test]
fn a_water_balance_by_thornthwaite() {
    // Seattle 2012-2015, 47.45 N, the same formulas in Python; temperatures in the table have six decimals
    let data = table("spei_seattle_2012_2015.csv");
    let mut normals = [0.0; 12];
    for (month, t) in data["month"].iter().zip(&data["tmean_C"]) {
        normals[*month as usize - 1] += t / 4.0;
    }
    let place = Thornthwaite::new(normals, 47.45);
    let days = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    for (i, month) in data["month"].iter().enumerate() {
        let month = *month as u32;
        let leap = u32::from(month == 2 && data["year"][i] == 2012.0);
        let found = place.month(data["tmean_C"][i], month, days[month as usize - 1] + leap);
        near(found, data["pet_thornthwaite_mm"][i], 2e-5);
        near(data["precip_mm"][i] - found, data["D_mm"][i], 2e-5);
    }
}
