//! Tables, figures, the report page and the run record.
//!
//! This crate knows neither rasters on disk nor study files: the engine hands it plain structs
//! ([`Table`], [`RunRecord`], [`PageInput`]) and it writes files. Every file is written beside its
//! place and renamed, so a killed run leaves no half file under a final name, and the same input
//! gives the same bytes.

#![forbid(unsafe_code)]

mod chart;
mod citation_file;
mod colour;
mod comparison;
mod contact_sheet;
mod error;
mod figures;
mod file;
mod frame;
mod letters;
mod licence;
mod metadata;
mod number;
mod page;
mod palette;
mod picture;
mod raster_figure;
mod record;
mod seal;
mod table;

pub use citation_file::write_citation_file;
pub use colour::Rgb;
pub use comparison::{
    ChangesShown, ComparedRun, ComparisonMap, ComparisonPage, ComparisonRecord, ScenarioAreas,
    write_comparison_page,
};
pub use contact_sheet::{Thumbnail, write_contact_sheet};
pub use error::ReportError;
pub use figures::write_figures;
pub use frame::guarded;
pub use metadata::{
    CrateParts, Described, DescribedBand, DescribedField, DescribedLayer, DescribedRaster, Place, dictionary,
    refresh_crate, write_crate, write_package, write_stac_item, write_style,
};
pub use number::{hectares, percent};
pub use page::{
    AreaRow, BoyceCurve, ClimateMark, ClimateSurface, CurvePanel, CurveShape, Distribution, Drought,
    DroughtMonth, HabitatByYear, Headline, HeadlineRow, KeptCells, KeptPage, LadderCurve, LossBreakdown,
    LossRow, MapLayer, MapPixels, MethodNote, PageInput, PatchMap, PlaceMesh, PopulationPath, ProtocolPart,
    Reference, SensitivityPanel, SensitivityPart, YearLine, read_kept, write_kept, write_page,
};
pub use palette::{
    ClassStyle, Ramp, change_classes, compared_classes, limiting_classes, not_assessed_classes,
    permanence_classes, water_classes,
};
pub use record::{
    Edition, EditionKind, GridRecord, Input, PeriodRecord, Product, Program, PublicationRecord, RunRecord,
    ServerIdentity, Stage, StudyRecord, read_record, write_record,
};
pub use seal::{CITED_DIGITS, QUOTING, checksum, checksum_text, record_text, seal_holds, write_sealed};
pub use table::{Column, Table, Values, read_table, write_table};
