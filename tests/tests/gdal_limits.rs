//! What GDAL may open for a study: files the study names, of the formats that are promised, and nothing else, whatever the paths, the
//! files beside them and the environment say. A run that dies within GDAL leaves what it has done.

use lentic_tests::few_layers;
use lentic_tests::table::texts_of_run;
use lentic_tests::{Outcome, kept_parts, lentic};
use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// The tiny study in a folder of its own.
struct Few(TempDir);

impl Few {
    fn new() -> Few {
        let folder = TempDir::new().unwrap();
        few_layers::write(folder.path());
        Few(folder)
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn edit(&self, old: &str, new: &str) {
        let text = fs::read_to_string(self.path("study.toml")).unwrap();
        assert_eq!(text.matches(old).count(), 1, "{old}");
        fs::write(self.path("study.toml"), text.replace(old, new)).unwrap();
    }

    fn check(&self) -> Outcome {
        Outcome::of(lentic().args(["check", "--quiet"]).arg(self.path("study.toml")))
    }

    fn command(&self, out: &str) -> Command {
        let mut command = lentic();
        command.args(["run", "--quiet"]).arg(self.path("study.toml")).arg("--out").arg(self.path(out));
        command
    }

    #[track_caller]
    fn refused(&self, words: &[&str]) {
        let outcome = self.check();
        assert_eq!(outcome.code, Some(1), "{outcome:#?}");
        assert!(!outcome.stderr.contains("panicked"), "{}", outcome.stderr);
        // lines may be broken anywhere
        let said = outcome.stderr.split_whitespace().collect::<Vec<_>>().join(" ");
        for word in words {
            assert!(said.contains(word), "{word:?} is not in: {said}");
        }
    }
}

const DESCRIPTION: &str = "<VRTDataset rasterXSize=\"48\" rasterYSize=\"40\"><VRTRasterBand dataType=\"Byte\" band=\"1\">\
    <SimpleSource><SourceFilename>zones.tif</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>";

#[test]
fn paths_are_files_and_nothing_else() {
    for (path, words) in [
        (DESCRIPTION, "does not exist"),
        ("vrt://zones.tif?bands=1", "lies on a server"),
        ("/vsizip/zones.zip/zones.tif", "virtual file systems are not taken"),
        ("/vsicurl/http://127.0.0.1:9/zones.tif", "virtual file systems are not taken"),
        ("/vsimem/zones.tif", "virtual file systems are not taken"),
        ("http://127.0.0.1:9/zones.tif", "[network]"),
        ("s3://bucket/zones.tif", "lies on a server"),
        ("GTI:zones.gpkg", "does not exist"),
        ("PG:host=127.0.0.1 dbname=zones", "does not exist"),
        ("NETCDF:zones.nc:zones", "does not exist"),
        ("GTIFF_DIR:1:zones.tif", "does not exist"),
        ("MEM:::DATAPOINTER=1,PIXELS=48,LINES=40", "does not exist"),
        (".", "is a folder"),
    ] {
        let few = Few::new();
        few.edit("file = \"zones.tif\"", &format!("file = '{path}'"));
        few.refused(&["study.toml", words]);
    }
}

#[test]
fn a_file_of_another_format_is_refused_whatever_its_name() {
    let few = Few::new();
    fs::copy(few.path("zones.tif"), few.path("other.tif")).unwrap();
    fs::write(few.path("zones.tif"), DESCRIPTION.replace("zones.tif", "other.tif")).unwrap();
    few.refused(&["zones.tif", "cannot be opened as a raster", "expected one of GeoTIFF"]);
    // a format that GDAL has and nothing promises
    Outcome::of(
        Command::new("gdal_translate")
            .args(["-q", "-of", "PNG"])
            .arg(few.path("other.tif"))
            .arg(few.path("zones.tif")),
    )
    .done();
    few.refused(&["zones.tif", "cannot be opened as a raster", "expected one of GeoTIFF"]);
}

#[test]
fn files_beside_a_raster_change_nothing_unseen() {
    let few = Few::new();
    let metadata = |inner: &str| {
        fs::write(few.path("zones.tif.aux.xml"), format!("<PAMDataset>{inner}</PAMDataset>")).unwrap()
    };
    // what does not change cells is left alone, an overview that leads elsewhere is not even looked at
    metadata(
        "<PAMRasterBand band=\"1\"><Metadata><MDI key=\"STATISTICS_MAXIMUM\">2</MDI></Metadata></PAMRasterBand>",
    );
    fs::write(few.path("zones.tif.ovr"), DESCRIPTION).unwrap();
    assert_eq!(few.check().code, Some(0));
    for (inner, word) in [
        ("<PAMRasterBand band=\"1\"><NoDataValue>1</NoDataValue></PAMRasterBand>", "a value for no data"),
        ("<GeoTransform>0, 60, 0, 1200, 0, -60</GeoTransform>", "a place on the ground"),
        ("<SRS>EPSG:6933</SRS>", "a coordinate reference system"),
        ("<PAMRasterBand band=\"1\"><Scale>3</Scale></PAMRasterBand>", "a scale"),
        (
            "<Metadata domain=\"OVERVIEWS\"><MDI key=\"OVERVIEW_FILE\">/etc/passwd</MDI></Metadata>",
            "names another file",
        ),
    ] {
        metadata(inner);
        few.refused(
            &["zones.tif.aux.xml", word, "only the raster itself is an input", "move that file away"].map(
                |w| {
                    if word == "names another file" && w == "move that file away" {
                        "move it away"
                    } else {
                        w
                    }
                },
            ),
        );
    }
    fs::remove_file(few.path("zones.tif.aux.xml")).unwrap();
    fs::write(few.path("zones.tif.msk"), DESCRIPTION).unwrap();
    few.refused(&["zones.tif", "a mask lies beside it (zones.tif.msk)", "GDAL_TIFF_INTERNAL_MASK"]);
}

#[test]
fn blocks_beyond_memory_are_refused_before_they_are_read() {
    let few = Few::new();
    // one tile of 20,000 x 20,000 cells that hold nothing
    Outcome::of(
        Command::new("gdal_create")
            .args([
                "-q",
                "-of",
                "GTiff",
                "-outsize",
                "20000",
                "20000",
                "-co",
                "SPARSE_OK=TRUE",
                "-co",
                "TILED=YES",
                "-co",
                "BLOCKXSIZE=20000",
                "-co",
                "BLOCKYSIZE=20000",
            ])
            .args([
                "-co",
                "COMPRESS=DEFLATE",
                "-a_srs",
                "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m +no_defs",
                "-a_ullr",
                "0",
                "1200",
                "1440",
                "0",
                "-a_nodata",
                "0",
            ])
            .arg(few.path("zones.tif")),
    )
    .done();
    few.refused(&["zones.tif", "20000 x 20000 cells, 381 MiB each", "at most 256 MiB", "-co TILED=YES"]);
}

#[test]
fn the_environment_opens_no_door() {
    let few = Few::new();
    let expected = {
        Outcome::of(few.command("plain").arg("--keep-nothing")).done();
        texts_of_run(&few.path("plain"))
    };
    let settings = few.path("gdalrc");
    fs::write(
        &settings,
        "[configoptions]\nGTIFF_POINT_GEO_IGNORE=YES\nGDAL_SKIP=GTiff\nGDAL_PAM_ENABLED=NO\n",
    )
    .unwrap();
    let mut command = few.command("other");
    command.arg("--keep-nothing");
    for (key, value) in [
        ("GDAL_CONFIG_FILE", settings.to_str().unwrap()),
        ("GDAL_SKIP", "GTiff,COG,MEM"),
        ("OGR_SKIP", "GPKG,GeoJSON"),
        ("GDAL_DRIVER_PATH", "/nowhere"),
        ("GDAL_VRT_ENABLE_PYTHON", "YES"),
        ("GTIFF_IGNORE_READ_ERRORS", "YES"),
        ("GDAL_DISABLE_READDIR_ON_OPEN", "FALSE"),
        ("GDAL_GEOREF_SOURCES", "NONE"),
        ("OGR_SQLITE_LOAD_EXTENSIONS", "/nowhere.so"),
        ("PROJ_NETWORK", "ON"),
        ("CPL_VSIL_CURL_ALLOWED_EXTENSIONS", ".none"),
        ("GDAL_CACHEMAX", "1"),
    ] {
        command.env(key, value);
    }
    Outcome::of(&mut command).done();
    assert!(expected.len() > 5);
    assert_eq!(texts_of_run(&few.path("other")), expected);
}

/// A library that crashes takes the program along. It is crashed from outside, as soon as steps were kept; the steps stay, and the next
/// run goes on from there to the same results.
#[test]
fn a_crash_leaves_what_is_done() {
    let few = Few::new();
    Outcome::of(few.command("whole").arg("--keep-nothing")).done();
    let expected = texts_of_run(&few.path("whole"));
    for (signal, name) in [(11, "SEGV"), (6, "ABRT")] {
        let store = few.path(&format!("store-{name}"));
        let crashed = (0..20).any(|_| {
            let _ = fs::remove_dir_all(&store);
            let _ = fs::remove_dir_all(few.path("run"));
            let mut child =
                few.command("run").arg("--kept").arg(&store).stderr(Stdio::null()).spawn().unwrap();
            let begun = Instant::now();
            while kept_parts(&store).len() < 2
                && child.try_wait().unwrap().is_none()
                && begun.elapsed() < Duration::from_secs(60)
            {
                std::thread::yield_now();
            }
            // a runtime takes the first SEGV that no instruction made for its own, and lets go of the signal
            while child.try_wait().unwrap().is_none() {
                Outcome::of(Command::new("sh").arg("-c").arg(format!("kill -{name} {}", child.id())));
            }
            child.wait().unwrap().signal() == Some(signal)
        });
        assert!(crashed, "every run ended before it could be crashed");
        assert!(!few.path("run").exists(), "a run folder is left");
        let kept = kept_parts(&store).len();
        assert!(kept >= 2, "{kept} parts are kept");
        let said = Outcome::of(few.command("run").arg("--json").arg("--kept").arg(&store));
        let said: serde_json::Value = serde_json::from_str(&said.done()).unwrap();
        assert!(said["tiles_kept"].as_u64().unwrap() >= kept as u64, "{kept} parts, {said:#}");
        assert_eq!(texts_of_run(&few.path("run")), expected);
        fs::remove_dir_all(few.path("run")).unwrap();
    }
}
