"""Small pieces that several pages show: links, words for a status, missing values, the footer, the person's name."""
