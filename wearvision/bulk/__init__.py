"""Many photos: on all cores of one machine, or on many machines by Dask (extra ``bulk``)."""
