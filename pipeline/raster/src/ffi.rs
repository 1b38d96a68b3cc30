//! The few calls of GDAL and of the C library that safe wrappers lack. The only module with `unsafe` code.
#![allow(unsafe_code)]

use std::ffi::{CStr, CString, c_char, c_int};
use std::ptr;

use gdal::Dataset;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::LayerAccess;

/// Stops GDAL from printing to standard error. Messages stay available to the calling thread.
pub(crate) fn quiet() {
    // SAFETY: the handler is a function of the library itself, valid for the whole program, and
    // keeps no state.
    unsafe {
        gdal_sys::CPLSetErrorHandler(Some(gdal_sys::CPLQuietErrorHandler));
    }
}

/// Version of PROJ that GDAL runs on, as (major, minor, patch).
pub(crate) fn proj_version() -> (i32, i32, i32) {
    let (mut major, mut minor, mut patch): (c_int, c_int, c_int) = (0, 0, 0);
    // SAFETY: the three pointers are valid for writing for the length of the call.
    unsafe { gdal_sys::OSRGetPROJVersion(&mut major, &mut minor, &mut patch) };
    (major, minor, patch)
}

/// WKT2:2019 of a reference system, on one line; `None` if it has none.
pub(crate) fn wkt2(reference: &SpatialRef) -> Option<String> {
    let option = CString::new("FORMAT=WKT2_2019").ok()?;
    let options = [option.as_ptr(), ptr::null()];
    let mut text: *mut c_char = ptr::null_mut();
    // SAFETY: the handle lives as long as `reference`; `options` is a null-terminated list that
    // outlives the call; `text` receives a string that is ours to free.
    let status = unsafe { gdal_sys::OSRExportToWktEx(reference.to_c_hsrs(), &mut text, options.as_ptr()) };
    if text.is_null() {
        return None;
    }
    // SAFETY: `text` is not null and GDAL ends it with a zero byte.
    let wkt = unsafe { CStr::from_ptr(text) }.to_str().ok().map(str::to_owned);
    // SAFETY: allocated by GDAL, freed once, not used afterwards.
    unsafe { gdal_sys::VSIFree(text.cast()) };
    if status == gdal_sys::OGRErr::OGRERR_NONE { wkt.filter(|wkt| !wkt.is_empty()) } else { None }
}

/// Sets the size of the cache of decoded blocks, bytes; blocks beyond it are let go.
pub(crate) fn set_cache(bytes: i64) {
    // SAFETY: plain call; GDAL locks its cache itself.
    unsafe { gdal_sys::GDALSetCacheMax64(bytes) };
}

/// Size of the cache of decoded blocks, bytes.
pub(crate) fn cache() -> i64 {
    // SAFETY: plain call; GDAL locks its cache itself.
    unsafe { gdal_sys::GDALGetCacheMax64() }
}

/// Gives freed memory back to the system. The C library keeps what lies between pieces still in use; decoded blocks of many
/// sizes, freed by whichever thread needs room, leave much of it.
pub(crate) fn give_back_memory() {
    #[cfg(target_env = "gnu")]
    {
        unsafe extern "C" {
            fn malloc_trim(pad: usize) -> c_int;
        }
        // SAFETY: a function of glibc that may be called at any time and from any thread; it moves nothing in use.
        unsafe { malloc_trim(0) };
    }
}

/// Forgets what GDAL keeps of files on servers whose virtual path begins with a text; of all without one.
pub(crate) fn forget_remote(begins: Option<&str>) {
    match begins.map(CString::new) {
        // SAFETY: the string ends with a zero byte and outlives the call, which copies it; the cache has a lock of its own.
        Some(Ok(begins)) => unsafe { gdal_sys::VSICurlPartialClearCache(begins.as_ptr()) },
        // SAFETY: as above.
        _ => unsafe { gdal_sys::VSICurlClearCache() },
    }
}

/// Makes GDAL heed nothing of the user's environment and configuration files but `kept`, and no network for PROJ. To be called before the
/// formats are registered.
pub(crate) fn seal(kept: &[&str]) {
    const FILE: &CStr = c"/vsimem/lentic/gdalrc";
    const TEXT: &CStr = c"[directives]\nignore-env-vars=yes\n";
    let values: Vec<_> = kept.iter().map(|name| (*name, std::env::var(name).ok())).collect();
    // SAFETY: all strings end with a zero byte and outlive their calls, which copy them; the text of the file in memory is a constant
    // that lives for the whole program, is not written to as the file is only read, and is not freed as GDAL is told that it is not
    // its own. The count of formats is asked so that GDAL reads its configuration file, which then is this one.
    unsafe {
        let text = TEXT.to_bytes();
        let file =
            gdal_sys::VSIFileFromMemBuffer(FILE.as_ptr(), text.as_ptr().cast_mut(), text.len() as u64, 0);
        if !file.is_null() {
            gdal_sys::VSIFCloseL(file);
        }
        gdal_sys::CPLSetConfigOption(c"GDAL_CONFIG_FILE".as_ptr(), FILE.as_ptr());
        gdal_sys::GDALGetDriverCount();
        gdal_sys::CPLLoadConfigOptionsFromFile(FILE.as_ptr(), 1);
        gdal_sys::OSRSetPROJEnableNetwork(0);
    }
    for (name, value) in values {
        if let Some(value) = value {
            // what GDAL refuses stays unset
            let _ = gdal::config::set_config_option(name, &value);
        }
    }
}

/// Whether PROJ may fetch grids from the network.
#[cfg(test)]
fn proj_network() -> bool {
    // SAFETY: reads a setting.
    unsafe { gdal_sys::OSRGetPROJEnableNetwork() != 0 }
}

/// Takes every format off the list but those named.
pub(crate) fn only_formats(kept: &[&str]) {
    // SAFETY: the list belongs to GDAL and is changed by this thread alone, before anything is opened; a driver's handle is used only
    // while it is on the list, and its name is text that ends with a zero byte and lives as long as the driver.
    unsafe {
        for at in (0..gdal_sys::GDALGetDriverCount()).rev() {
            let driver = gdal_sys::GDALGetDriver(at);
            let name = gdal_sys::GDALGetDriverShortName(driver);
            if name.is_null() || !kept.iter().any(|kept| kept.as_bytes() == CStr::from_ptr(name).to_bytes()) {
                gdal_sys::GDALDeregisterDriver(driver);
            }
        }
    }
}

/// The calling thread's last failure or warning since [`forget_error`], if any.
pub(crate) fn last_complaint() -> Option<String> {
    // SAFETY: reads only GDAL's state of this thread.
    if unsafe { gdal_sys::CPLGetLastErrorType() } < gdal_sys::CPLErr::CE_Warning {
        return None;
    }
    // SAFETY: GDAL returns a zero-ended string of this thread, copied before any other call.
    let text = unsafe { CStr::from_ptr(gdal_sys::CPLGetLastErrorMsg()) };
    Some(text.to_string_lossy().into_owned())
}

/// Forgets the calling thread's last error.
pub(crate) fn forget_error() {
    // SAFETY: touches only GDAL's state of this thread.
    unsafe { gdal_sys::CPLErrorReset() };
}

/// The calling thread's last failure since [`forget_error`], if any. Needed because closing a
/// data set reports nothing before GDAL 3.7.
pub(crate) fn last_failure() -> Option<String> {
    // SAFETY: reads only GDAL's state of this thread.
    if unsafe { gdal_sys::CPLGetLastErrorType() } < gdal_sys::CPLErr::CE_Failure {
        return None;
    }
    // SAFETY: GDAL returns a zero-ended string of this thread, copied before any other call.
    let text = unsafe { CStr::from_ptr(gdal_sys::CPLGetLastErrorMsg()) };
    Some(text.to_string_lossy().into_owned())
}

/// Outlines of runs of equal value (4-connected) of a band, where the value is not 0, into a layer
/// whose field `field` takes the value.
///
/// # Errors
/// GDAL's message.
pub(crate) fn polygonise(
    source: &Dataset,
    layer: &gdal::vector::Layer<'_>,
    field: i32,
) -> Result<(), String> {
    forget_error();
    let band = source.rasterband(1).map_err(|error| error.to_string())?;
    // SAFETY: the band and the layer outlive the call. The band serves as its own mask, so that 0
    // is left out. No options, no progress callback.
    let status = unsafe {
        gdal_sys::GDALPolygonize(
            band.c_rasterband(),
            band.c_rasterband(),
            layer.c_layer(),
            field,
            ptr::null_mut(),
            None,
            ptr::null_mut(),
        )
    };
    if status == gdal_sys::CPLErr::CE_None {
        Ok(())
    } else {
        Err(last_failure().unwrap_or_else(|| "unknown reason".to_string()))
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn proj_asks_nothing_of_the_network() {
        crate::quiet();
        assert!(!super::proj_network());
    }
}
