mod data_sheets;
mod driver;
mod glitches;
mod mistakes;
mod moments;
