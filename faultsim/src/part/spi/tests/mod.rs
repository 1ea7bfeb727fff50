mod driver;
mod facts;
mod moments;
mod plan;
