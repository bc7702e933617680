//! Bytes of somebody else's, into everything that reads such: the bodies of the fuzz targets over a small corpus and
//! mutations of it, the same ones each time.

mod corpus;
