//! `ro-crate-metadata.json`: a run as a research object (RO-Crate 1.1, w3id.org/ro/crate/1.1) whose making is told as an action
//! (Process Run Crate 0.5): which program made which files of what.

use super::Described;
use crate::ReportError;
use crate::file::{refused, write_json};
use crate::licence::{address, spdx};
use crate::record::{Input, Product, RunRecord};
use serde_json::{Map, Value, json};
use std::path::Path;

const CRATE: &str = "https://w3id.org/ro/crate/1.1";
const PROFILE: &str = "https://w3id.org/ro/wfrun/process/0.5";

/// What goes into a crate besides the record.
#[derive(Clone, Copy, Debug)]
pub struct CrateParts<'a> {
    /// The products.
    pub described: &'a Described<'a>,
    /// How the run is cited.
    pub cite: &'a str,
    /// When the run ended, ISO 8601; "" where it is not told.
    pub ended: &'a str,
    /// Whether inputs are named one by one, with their checksums; else only what they come from.
    pub inputs: bool,
    /// The record's own file: "run.json".
    pub record_file: &'a str,
}

/// Writes the crate.
///
/// # Errors
/// The file cannot be written.
pub fn write_crate(path: &Path, record: &RunRecord, parts: &CrateParts<'_>) -> Result<(), ReportError> {
    write_json(path, &json!({ "@context": format!("{CRATE}/context"), "@graph": graph(record, parts) }))
}

/// Brings sizes and digests of files in a crate up to date; says whether any had changed. A crate without changes is not written.
///
/// # Errors
/// The file cannot be read or written, or is no JSON.
pub fn refresh_crate(path: &Path, products: &[Product]) -> Result<bool, ReportError> {
    let text = std::fs::read_to_string(path).map_err(refused(path, "read"))?;
    let broken = |message: String| ReportError::Page { path: path.to_path_buf(), message };
    let mut whole: Value = serde_json::from_str(&text).map_err(|error| broken(error.to_string()))?;
    let mut changed = false;
    let graph = whole.get_mut("@graph").and_then(Value::as_array_mut);
    for entity in graph.into_iter().flatten().filter_map(Value::as_object_mut) {
        let told = |product: &&Product| entity.get("@id") == Some(&json!(encoded(&product.file)));
        let Some(product) = products.iter().find(told).filter(|_| entity.contains_key("contentSize")) else {
            continue;
        };
        for (key, value) in sizes(product) {
            changed |= entity.insert(key.into(), value.clone()) != Some(value);
        }
    }
    if changed {
        write_json(path, &whole)?;
    }
    Ok(changed)
}

fn sizes(product: &Product) -> [(&'static str, Value); 2] {
    [
        ("contentSize", json!(product.bytes.to_string())),
        ("identifier", json!(format!("blake3:{}", product.blake3))),
    ]
}

fn link(id: &str) -> Value {
    json!({ "@id": id })
}

fn graph(record: &RunRecord, parts: &CrateParts<'_>) -> Vec<Value> {
    let study = &record.study;
    let mut files: Vec<(String, Value)> = record
        .products
        .iter()
        .filter(|product| product.file != "ro-crate-metadata.json")
        .map(|product| {
            let title = parts.described.title(&product.file).unwrap_or(&product.title);
            let id = encoded(&product.file);
            let mut entity = file(&id, title, &product.file);
            entity.extend(sizes(product).map(|(key, value)| (key.to_string(), value)));
            (id, Value::Object(entity))
        })
        .collect();
    let own = file(
        parts.record_file,
        "Run record: program, settings, inputs and products with their checksums",
        parts.record_file,
    );
    files.push((parts.record_file.to_string(), Value::Object(own)));
    // they quote the checksum and cannot be described by it
    for (name, title) in
        [("CITATION.cff", "How to cite this run"), ("report.html", "Report, one page that works offline")]
    {
        if !record.products.iter().any(|product| product.file == name) {
            files.push((name.to_string(), Value::Object(file(name, title, name))));
        }
    }
    let parts_of_it: Vec<Value> = files.iter().map(|(id, _)| link(id)).collect();
    let (licence, licence_entity) = licence(&study.licence);
    let inputs = inputs(record, parts.inputs);
    let mut root = json!({
        "@id": "./",
        "@type": "Dataset",
        "conformsTo": link(PROFILE),
        "name": format!("{}: wetland habitat and its loss under drying", study.name),
        "description": format!("Habitat of {} in the baseline and under drying scenarios: rasters, tables and a report. {}", study.organism, study.purpose),
        "datePublished": record.started.get(..10).unwrap_or(&record.started),
        "license": link(&licence),
        "author": link("#study"),
        "publisher": link("#study"),
        "identifier": [format!("run {}", record.run_id), format!("blake3:{}", record.checksum)],
        "creditText": parts.cite,
        "temporalCoverage": record.period.baseline.join("/"),
        "keywords": "wetland, habitat suitability, drought, hydroperiod",
        "mentions": link("#run"),
        "hasPart": parts_of_it,
    });
    let mut others = vec![licence_entity];
    if let (Some(place), Value::Object(map)) = (&parts.described.place, &mut root) {
        map.insert("spatialCoverage".into(), link("#place"));
        let [west, south, east, north] = place.bbox();
        others.push(
            json!({ "@id": "#place", "@type": "Place", "name": "Ground of the study", "geo": link("#box") }),
        );
        others.push(json!({ "@id": "#box", "@type": "GeoShape", "name": "South, west, north, east", "box": format!("{south} {west} {north} {east}") }));
    }
    let mut who =
        json!({ "@id": "#study", "@type": "Organization", "name": format!("{} (study)", study.name) });
    if let (false, Value::Object(map)) = (study.contact.is_empty(), &mut who) {
        map.insert("contactPoint".into(), link("#contact"));
        others.push(json!({ "@id": "#contact", "@type": "ContactPoint", "contactType": "contact of the study", "name": study.contact }));
    }
    let program = &record.program;
    let libraries: Vec<(String, Value)> = std::iter::once(("GDAL", &program.gdal))
        .chain(program.others.iter().map(|(name, version)| (name.as_str(), version)))
        .map(|(name, version)| {
            let id = format!("#{}", encoded(name));
            let entity = json!({ "@id": id, "@type": "SoftwareApplication", "name": name, "version": version, "softwareVersion": version });
            (id, entity)
        })
        .collect();
    let requirements: Vec<Value> = libraries.iter().map(|(id, _)| link(id)).collect();
    let software = json!({
        "@id": "#program",
        "@type": "SoftwareApplication",
        "name": program.name,
        "version": program.version,
        "softwareVersion": program.version,
        "softwareRequirements": requirements,
    });
    let objects: Vec<Value> =
        inputs.iter().filter_map(|input| input.get("@id")).map(|id| json!({ "@id": id })).collect();
    let mut action = json!({
        "@id": "#run",
        "@type": "CreateAction",
        "name": format!("Run {} of {}", record.run_id, study.name),
        "description": format!("{} {} computed the study and wrote these files", program.name, program.version),
        "startTime": record.started,
        "actionStatus": link("http://schema.org/CompletedActionStatus"),
        "agent": link("#study"),
        "instrument": link("#program"),
        "object": objects,
        "result": parts_of_it,
    });
    if !parts.ended.is_empty() {
        action["endTime"] = json!(parts.ended);
    }
    let mut graph = vec![
        json!({
            "@id": "ro-crate-metadata.json",
            "@type": "CreativeWork",
            "conformsTo": link(CRATE),
            "about": link("./"),
        }),
        root,
        json!({ "@id": PROFILE, "@type": "CreativeWork", "name": "Process Run Crate", "version": "0.5" }),
        who,
        action,
        software,
    ];
    graph.extend(libraries.into_iter().map(|(_, entity)| entity));
    graph.extend(others);
    graph.extend(inputs);
    graph.extend(files.into_iter().map(|(_, entity)| entity));
    graph
}

fn file(id: &str, name: &str, path: &str) -> Map<String, Value> {
    let entity = json!({ "@id": id, "@type": "File", "name": name, "encodingFormat": format_of(path) });
    match entity {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

/// Media type by ending (IANA media types; those of Parquet, GeoPackage and COG as registered).
fn format_of(path: &str) -> &'static str {
    match path.rsplit('.').next().unwrap_or("") {
        "tif" => "image/tiff; application=geotiff; profile=cloud-optimized",
        "csv" => "text/csv",
        "parquet" => "application/vnd.apache.parquet",
        "json" => "application/json",
        "gpkg" => "application/geopackage+sqlite3",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "html" => "text/html",
        "qml" => "application/xml",
        "cff" => "application/yaml",
        "md" => "text/markdown",
        _ => "text/plain",
    }
}

/// A path as a relative reference (RFC 3986): what is not unreserved or `/` in percent.
fn encoded(path: &str) -> String {
    let mut out = String::new();
    for byte in path.bytes() {
        match byte {
            b if b.is_ascii_alphanumeric() || matches!(b, b'/' | b'-' | b'.' | b'_' | b'~') => {
                out.push(char::from(b))
            }
            b => out.push_str(&format!("%{b:02X}")),
        }
    }
    out
}

/// Id of the licence and its entity.
fn licence(words: &str) -> (String, Value) {
    let (id, name) = match (spdx(words), words) {
        (Some(id), _) => (address(id), id.to_string()),
        (None, "") => ("#licence".into(), "No licence was stated; ask before use".into()),
        (None, words) => ("#licence".into(), words.to_string()),
    };
    let entity =
        json!({ "@id": id, "@type": "CreativeWork", "name": name, "description": "Licence of the products" });
    (id, entity)
}

/// What the run read: a layer's files as one, and the study file.
fn inputs(record: &RunRecord, named: bool) -> Vec<Value> {
    let mut groups: Vec<(String, Vec<&Input>)> = Vec::new();
    for input in &record.inputs {
        // without names, what comes from one place is one
        let key = if named { input.layer.clone() } else { input.source.clone() };
        match groups.iter_mut().find(|(known, _)| *known == key) {
            Some((_, files)) => files.push(input),
            None => groups.push((key, vec![input])),
        }
    }
    let mut entities: Vec<Value> = Vec::new();
    for (at, (_, files)) in
        groups.iter().filter(|(_, files)| named || !files[0].source.is_empty()).enumerate()
    {
        let first = files[0];
        let mut map = Map::new();
        map.insert("@id".into(), json!(format!("#input-{}", at + 1)));
        map.insert("@type".into(), json!("CreativeWork"));
        let name = if named { &first.layer } else { &first.source };
        map.insert("name".into(), json!(name));
        if named {
            let described = match files.as_slice() {
                [one] => one.file.clone(),
                more => format!("{} files, {} to {}", more.len(), first.file, more[more.len() - 1].file),
            };
            map.insert("description".into(), json!(described));
            // of many, the digest of their digests, one a line
            let identifier = match files.as_slice() {
                [one] if one.server.is_some() => format!("server: {}", one.content()),
                [one] => format!("blake3:{}", one.blake3),
                more => {
                    let lines: String = more.iter().map(|file| format!("{}\n", file.content())).collect();
                    format!("blake3:{}", blake3::hash(lines.as_bytes()).to_hex())
                }
            };
            map.insert("identifier".into(), json!(identifier));
            if !first.source.is_empty() {
                map.insert("creditText".into(), json!(first.source));
            }
        }
        if !first.licence.is_empty() {
            map.insert("copyrightNotice".into(), json!(format!("Licence: {}", first.licence)));
        }
        if !first.date.is_empty() {
            map.insert("dateCreated".into(), json!(first.date));
        }
        entities.push(Value::Object(map));
    }
    if named {
        entities.push(json!({
            "@id": "#study-file",
            "@type": "CreativeWork",
            "name": "Study file",
            "description": format!("{}; its text stands in {}", record.study.path, "run.json"),
            "identifier": format!("blake3:{}", record.study.blake3),
        }));
    }
    entities
}
