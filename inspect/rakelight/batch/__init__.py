"""Many photos: one machine's process pool or a running Dask cluster, and what a plant sees over weeks."""
