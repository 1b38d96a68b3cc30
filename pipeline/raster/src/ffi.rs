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
