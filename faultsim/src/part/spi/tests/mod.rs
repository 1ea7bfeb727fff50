mod data_sheets;
mod driver;
mod mistakes;
mod moments;
