//! Pictures: PNGs with a scale bar, a legend and units. They draw data and decide nothing.
