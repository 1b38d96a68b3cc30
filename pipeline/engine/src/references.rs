//! Works that reports cite. Entries and identifiers are from memory; the list of a report holds those that its methods name.

use lentic_report::{MethodNote, Reference};

/// How a work is named in the text, its entry, its DOI ("" where it has none).
const WORKS: [(&str, &str, &str); 38] = [
    (
        "Allouche et al. 2006",
        "Allouche, O., Tsoar, A. and Kadmon, R. (2006): Assessing the accuracy of species distribution models: prevalence, kappa and the true skill statistic (TSS). Journal of Applied Ecology 43, 1223-1232.",
        "10.1111/j.1365-2664.2006.01214.x",
    ),
    (
        "FAO-56",
        "Allen, R. G., Pereira, L. S., Raes, D. and Smith, M. (1998): Crop evapotranspiration: guidelines for computing crop water requirements. FAO Irrigation and Drainage Paper 56. FAO, Rome.",
        "",
    ),
    (
        "Begueria et al. 2014",
        "Begueria, S., Vicente-Serrano, S. M., Reig, F. and Latorre, B. (2014): Standardized precipitation evapotranspiration index (SPEI) revisited: parameter fitting, evapotranspiration models, tools, datasets and drought monitoring. International Journal of Climatology 34, 3001-3023.",
        "10.1002/joc.3887",
    ),
    (
        "Breiman 2001",
        "Breiman, L. (2001): Random forests. Machine Learning 45, 5-32.",
        "10.1023/A:1010933404324",
    ),
    (
        "Brown et al. 2012",
        "Brown, C., Ghile, Y., Laverty, M. and Li, K. (2012): Decision scaling: linking bottom-up vulnerability analysis with climate projections in the water sector. Water Resources Research 48, W09537.",
        "10.1029/2011WR011212",
    ),
    (
        "Caswell 2001",
        "Caswell, H. (2001): Matrix population models: construction, analysis, and interpretation. Second edition. Sinauer, Sunderland.",
        "",
    ),
    (
        "Chapman 2020",
        "Chapman, A. D. (2020): Current Best Practices for Generalizing Sensitive Species Occurrence Data. GBIF Secretariat, Copenhagen.",
        "10.15468/doc-5jp4-5g10",
    ),
    (
        "Cohen 1960",
        "Cohen, J. (1960): A coefficient of agreement for nominal scales. Educational and Psychological Measurement 20, 37-46.",
        "10.1177/001316446002000104",
    ),
    (
        "Crouse et al. 1987",
        "Crouse, D. T., Crowder, L. B. and Caswell, H. (1987): A stage-based population model for loggerhead sea turtles and implications for conservation. Ecology 68, 1412-1423.",
        "10.2307/1939225",
    ),
    (
        "Elith et al. 2010",
        "Elith, J., Kearney, M. and Phillips, S. (2010): The art of modelling range-shifting species. Methods in Ecology and Evolution 1, 330-342.",
        "10.1111/j.2041-210X.2010.00036.x",
    ),
    (
        "Hanley and McNeil 1982",
        "Hanley, J. A. and McNeil, B. J. (1982): The meaning and use of the area under a receiver operating characteristic (ROC) curve. Radiology 143, 29-36.",
        "10.1148/radiology.143.1.7063747",
    ),
    (
        "Hargreaves and Samani 1985",
        "Hargreaves, G. H. and Samani, Z. A. (1985): Reference crop evapotranspiration from temperature. Applied Engineering in Agriculture 1, 96-99.",
        "10.13031/2013.26773",
    ),
    (
        "Hirzel et al. 2006",
        "Hirzel, A. H., Le Lay, G., Helfer, V., Randin, C. and Guisan, A. (2006): Evaluating the ability of habitat suitability models to predict species presences. Ecological Modelling 199, 142-152.",
        "10.1016/j.ecolmodel.2006.05.017",
    ),
    (
        "IUCN Red List Categories and Criteria 3.1 (2012)",
        "IUCN (2012): IUCN Red List Categories and Criteria: version 3.1. Second edition. IUCN, Gland and Cambridge.",
        "",
    ),
    (
        "Jaeger 2000",
        "Jaeger, J. A. G. (2000): Landscape division, splitting index, and effective mesh size: new measures of landscape fragmentation. Landscape Ecology 15, 115-130.",
        "10.1023/A:1008129329289",
    ),
    (
        "Jansen 1999",
        "Jansen, M. J. W. (1999): Analysis of variance designs for model output. Computer Physics Communications 117, 35-43.",
        "10.1016/S0010-4655(98)00154-4",
    ),
    (
        "Keith et al. 2013",
        "Keith, D. A. et al. (2013): Scientific foundations for an IUCN Red List of Ecosystems. PLoS ONE 8, e62111.",
        "10.1371/journal.pone.0062111",
    ),
    ("Kendall 1975", "Kendall, M. G. (1975): Rank correlation methods. Fourth edition. Griffin, London.", ""),
    (
        "Mann 1945",
        "Mann, H. B. (1945): Nonparametric tests against trend. Econometrica 13, 245-259.",
        "10.2307/1907187",
    ),
    (
        "McKay et al. 1979",
        "McKay, M. D., Beckman, R. J. and Conover, W. J. (1979): A comparison of three methods for selecting values of input variables in the analysis of output from a computer code. Technometrics 21, 239-245.",
        "10.1080/00401706.1979.10489755",
    ),
    (
        "McKee et al. 1993",
        "McKee, T. B., Doesken, N. J. and Kleist, J. (1993): The relationship of drought frequency and duration to time scales. Proceedings of the 8th Conference on Applied Climatology. American Meteorological Society, Boston, 179-184.",
        "",
    ),
    (
        "Prudhomme et al. 2010",
        "Prudhomme, C., Wilby, R. L., Crooks, S., Kay, A. L. and Reynard, N. S. (2010): Scenario-neutral approach to climate change impact studies: application to flood risk. Journal of Hydrology 390, 198-209.",
        "10.1016/j.jhydrol.2010.06.043",
    ),
    (
        "Renner et al. 2015",
        "Renner, I. W. et al. (2015): Point process models for presence-only analysis. Methods in Ecology and Evolution 6, 366-379.",
        "10.1111/2041-210X.12352",
    ),
    ("Saaty 1980", "Saaty, T. L. (1980): The analytic hierarchy process. McGraw-Hill, New York.", ""),
    (
        "Saltelli et al. 2010",
        "Saltelli, A., Annoni, P., Azzini, I., Campolongo, F., Ratto, M. and Tarantola, S. (2010): Variance based sensitivity analysis of model output: design and estimator for the total sensitivity index. Computer Physics Communications 181, 259-270.",
        "10.1016/j.cpc.2009.09.018",
    ),
    (
        "Saura and Pascual-Hortal 2007",
        "Saura, S. and Pascual-Hortal, L. (2007): A new habitat availability index to integrate connectivity in landscape conservation planning: comparison with existing indices and application to a case study. Landscape and Urban Planning 83, 91-103.",
        "10.1016/j.landurbplan.2007.03.005",
    ),
    (
        "Saura and Rubio 2010",
        "Saura, S. and Rubio, L. (2010): A common currency for the different ways in which patches and links can contribute to habitat availability and connectivity in the landscape. Ecography 33, 523-537.",
        "10.1111/j.1600-0587.2009.05760.x",
    ),
    (
        "Saura et al. 2011",
        "Saura, S., Estreguil, C., Mouton, C. and Rodriguez-Freire, M. (2011): Network analysis to assess landscape connectivity trends: application to European forests (1990-2000). Ecological Indicators 11, 407-416.",
        "10.1016/j.ecolind.2010.06.011",
    ),
    (
        "Sen 1968",
        "Sen, P. K. (1968): Estimates of the regression coefficient based on Kendall's tau. Journal of the American Statistical Association 63, 1379-1389.",
        "10.1080/01621459.1968.10480934",
    ),
    (
        "Thornthwaite 1948",
        "Thornthwaite, C. W. (1948): An approach toward a rational classification of climate. Geographical Review 38, 55-94.",
        "10.2307/210739",
    ),
    (
        "Thornthwaite and Mather 1955",
        "Thornthwaite, C. W. and Mather, J. R. (1955): The water balance. Publications in Climatology 8(1). Drexel Institute of Technology, Centerton, New Jersey.",
        "",
    ),
    (
        "Vicente-Serrano et al. 2010",
        "Vicente-Serrano, S. M., Begueria, S. and Lopez-Moreno, J. I. (2010): A multiscalar drought index sensitive to global warming: the standardized precipitation evapotranspiration index. Journal of Climate 23, 1696-1718.",
        "10.1175/2009JCLI2909.1",
    ),
    (
        "Warton and Shepherd 2010",
        "Warton, D. I. and Shepherd, L. C. (2010): Poisson point process models solve the \"pseudo-absence problem\" for presence-only data in ecology. Annals of Applied Statistics 4, 1383-1402.",
        "10.1214/10-AOAS331",
    ),
    (
        "Yevjevich 1967",
        "Yevjevich, V. (1967): An objective approach to definitions and investigations of continental hydrologic droughts. Hydrology Paper 23. Colorado State University, Fort Collins.",
        "",
    ),
    (
        "Zurell et al. 2020",
        "Zurell, D. et al. (2020): A standard protocol for reporting species distribution models. Ecography 43, 1261-1277.",
        "10.1111/ecog.04960",
    ),
    (
        "Berman and Turner 1992",
        "Berman, M. and Turner, T. R. (1992): Approximating point process likelihoods with GLIM. Applied Statistics 41, 31-38.",
        "10.2307/2347614",
    ),
    (
        "Robertson et al. 2013",
        "Robertson, B. L., Brown, J. A., McDonald, T. and Jaksons, P. (2013): BAS: balanced acceptance sampling of natural resources. Biometrics 69, 776-784.",
        "10.1111/biom.12059",
    ),
    (
        "Olofsson et al. 2014",
        "Olofsson, P., Foody, G. M., Herold, M., Stehman, S. V., Woodcock, C. E. and Wulder, M. A. (2014): Good practices for estimating area and assessing accuracy of land change. Remote Sensing of Environment 148, 42-57.",
        "10.1016/j.rse.2014.02.015",
    ),
];

/// The work whose protocol every report follows.
const PROTOCOL: &str = "Zurell et al. 2020";

/// The works that the notes name, by author and year.
pub fn of(notes: &[MethodNote]) -> Vec<Reference> {
    let named = |cited: &str| cited == PROTOCOL || notes.iter().any(|note| note.text.contains(cited));
    let mut found: Vec<Reference> = WORKS
        .iter()
        .filter(|(cited, ..)| named(cited))
        .map(|(_, text, doi)| Reference { text: (*text).into(), doi: (*doi).into() })
        .collect();
    found.sort_by(|a, b| a.text.cmp(&b.text));
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_report::ProtocolPart;

    #[test]
    fn only_what_is_named_is_listed() {
        let notes = [MethodNote::new(
            ProtocolPart::Model,
            "",
            "Weights (Saaty 1980), index as FAO-56 has it (Hargreaves and Samani 1985).",
        )];
        let names: Vec<String> = of(&notes).iter().map(|r| r.text[..8].to_string()).collect();
        assert_eq!(names, ["Allen, R", "Hargreav", "Saaty, T", "Zurell, "]);
    }

    /// The form of a DOI: directory indicator 10, registrant, suffix (ISO 26324). Author and year of the text stand in the entry.
    #[test]
    fn every_entry_fits_its_name_and_its_identifier_has_the_form_of_one() {
        for (cited, text, doi) in WORKS {
            let plausible = doi.is_empty()
                || doi.starts_with("10.")
                    && doi.split_once('/').is_some_and(|(a, b)| a.len() >= 7 && !b.is_empty());
            assert!(plausible, "{cited}: {doi}");
            if cited == "FAO-56" {
                continue;
            }
            let name = cited.split(' ').next().unwrap();
            let year = cited.trim_end_matches(')').rsplit([' ', '(']).next().unwrap();
            assert!(text.starts_with(name) && text.contains(&format!("({year})")), "{cited}: {text}");
        }
    }
}
