"""Session estimates of courses: the records read, turned into requests, and answered."""
