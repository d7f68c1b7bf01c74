"""An open data set: hips of 39 people with ankylosing spondylitis, before and after treatment."""
