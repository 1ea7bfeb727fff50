//! JSON that several image commands print.

use outlast_image::names;
use outlast_image::survey::Survey;
use serde_json::json;

use super::dump::Read;
use super::sentences;

pub(super) fn layout(read: &Read) -> serde_json::Value {
    let shape = read.place.shape;
    json!({
        "base": read.place.base, "sectors": shape.sectors, "sector_bytes": shape.sector_bytes,
        "page_bytes": shape.page_bytes, "unit": shape.unit, "bytes_present": read.region().len(),
    })
}

pub(super) fn findings(survey: &Survey<'_>) -> serde_json::Value {
    survey
        .findings
        .iter()
        .map(|finding| {
            json!({
                "kind": sentences::finding_name(finding.kind),
                "damage": finding.kind.is_damage(),
                "address": finding.address,
                "keys": finding.keys.iter().map(|key| names::show(key)).collect::<Vec<_>>(),
                "text": sentences::finding(survey, finding),
            })
        })
        .collect()
}
