mod driver;
mod plan;
